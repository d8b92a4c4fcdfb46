"""A profile held against logs, for people: what was tested, found and is to be done."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from herdbook.decoders import DecoderError
from herdbook.pipeline.commands.terminal import screen
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.health.doubts import blocked
from herdbook.pipeline.health.judgeable import why_not
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.intake.identity import vehicle_from_path, whose
from herdbook.pipeline.intake.identity_signals import SerialSeen
from herdbook.pipeline.intake.inbox import find_logs
from herdbook.pipeline.lake.role_views import view_of_log
from herdbook.pipeline.vehicle.contact.check import Checked, Word, measure, number
from herdbook.pipeline.vehicle.contact.hold import Contact, hold_profile
from herdbook.pipeline.vehicle.contact.view import View
from herdbook.pipeline.vehicle.packs import all_of
from herdbook.pipeline.vehicle.profile import Profile

CONTRADICTED = 8  # exit code: a check does not hold


def hold_and_show(profile: Profile, inboxes: Sequence[Path], page: Path | None, as_json: bool) -> int:
    """Reads the logs, prints the verdicts, writes the page where one is asked for. Returns the exit code.

    Raises: InputError when no log can be read.
    """
    views, unread, disowned = read_views(profile, inboxes)
    contact = hold_profile(profile, views)
    if page:
        from herdbook.pipeline.reports.contact_page import write_contact

        written = write_contact(contact, page)
    if as_json:
        screen.as_json(result(profile, contact, unread) | {"nobodys": disowned})
    else:
        if disowned:
            first = next(iter(disowned.values()))
            screen.warn(f"A scan would refuse {len(disowned)} of {screen.plural(len(views), 'log')}: {first}")
        show(profile, contact, unread)
        if page:
            screen.say(f"Written: {screen.place(written)}")
    return CONTRADICTED if contact.doubts or disowned else 0


def _nobodys(path: Path, view: View, profile: Profile) -> str:
    """Why a scan would not take the log for anybody's: its path names one vehicle and the bus another; else ""."""
    serials = np.unique(view.series("vehicle_serial").v) if view.has("vehicle_serial") else np.empty(0)
    seen = [SerialSeen("vehicle", f"{serial:.0f}", 0, 0, 1) for serial in serials if serial > 0]
    pattern = profile.identity.get("path")
    try:
        named = vehicle_from_path(path.absolute().as_posix(), [pattern] if pattern else [])
        if seen and named:
            whose("", named, seen, profile)
    except InputError as error:
        return str(error)
    return ""


def read_views(profile: Profile, inboxes: Sequence[Path]) -> tuple[list[View], dict[str, str], dict[str, str]]:
    """Views of all logs under these paths, why some could not be read, and why a scan would not take some."""
    paths = [path for inbox in inboxes for path in find_logs(inbox, settle_s=0.0)]
    views: list[View] = []
    unread, disowned = {}, {}
    with screen.progress("reading logs") as told:
        for done, path in enumerate(paths):
            told(done, len(paths), "reading logs")
            try:
                views.append(view_of_log(path, profile, _vehicle(path, profile)))
                if why := _nobodys(path, views[-1], profile):
                    disowned[path.name] = why
            except (DecoderError, InputError, OSError) as error:
                unread[path.name] = str(error)
        told(len(paths), len(paths), "reading logs")
    if not views:
        why = next(iter(unread.values()), "there is no log")
        raise InputError(f"no log could be read: {why}", ", ".join(map(str, inboxes)), "Name a log or a folder of logs")
    return views, unread, disowned


def _vehicle(path: Path, profile: Profile) -> str:
    pattern = profile.identity.get("path")
    try:
        return vehicle_from_path(path.absolute().as_posix(), [pattern] if pattern else [])
    except InputError:
        return path.name


def result(profile: Profile, contact: Contact, unread: dict[str, str]) -> dict[str, Any]:
    """Everything, ready for JSON."""
    return {
        "profile": contact.profile,
        "hash": profile.hash,
        "logs": contact.logs,
        "vehicles": contact.vehicles,
        "known_share": contact.known,
        "roles_mapped": contact.mapped,
        "roles_silent": list(contact.silent),
        "checked": [asdict(c) | {"verdict": c.verdict.value} for c in contact.checked],
        "not_assessed": {rule.id: why for rule, why in blocked(all_rules().values(), contact.doubts)},
        "unread": unread,
    }


def show(profile: Profile, contact: Contact, unread: dict[str, str]) -> None:
    for name, why in sorted(unread.items()):
        screen.warn(f"Not read: {name}: {why}")
    screen.say(
        f"{contact.profile} held against {screen.plural(contact.logs, 'log')} of "
        f"{screen.plural(contact.vehicles, 'vehicle')}: {contact.known:.0%} of the frames known, "
        f"{contact.mapped - len(contact.silent)} of {contact.mapped} mapped roles have values."
    )
    if contact.silent:
        screen.say(f"Without a value: {', '.join(contact.silent)}.")
    screen.table("What the logs say", ("verdict", "tested", "found"), list(lines(contact.checked)))
    if asks := [(c.verdict.value, c.reason, c.do) for c in contact.checked if c.do]:
        screen.say()
        screen.table("What to do", ("verdict", "why", "what to do"), asks)
    lost = [(rule.id, rule.subsystem, why) for rule, why in blocked(all_rules().values(), contact.doubts)]
    for pack in all_of(profile):
        asked = [r for r in all_rules().values() if pack.number == 1 or r.each_pack]
        said = "" if pack.number == 1 else f"pack {pack.number}: "
        lost += [(r.id, r.subsystem, said + why) for r in asked if (why := why_not(r, pack))]
    screen.say()
    total = len(all_rules())
    judged = total - len({rule for rule, _, _ in lost})
    if lost:
        screen.table(f"{judged} of {total} rules can judge; not assessed:", ("rule", "subsystem", "why"), lost)
    else:
        screen.say(f"All {total} rules can judge.")


def lines(checked: Sequence[Checked]) -> Iterator[tuple[str, str, str]]:
    """A line a check: what is against the profile, what could not be told (tests of roles that are not mapped are one
    line), and last what holds, one line where it does for many roles alike."""
    held: dict[str, list[Checked]] = {}
    for c in checked:
        if c.verdict is Word.HOLDS:
            held.setdefault(c.check, []).append(c)
        elif c.bad:
            yield _line(c)
    left = [c for c in checked if c.verdict is Word.OPEN]
    yield from (_line(c) for c in left if not c.unmapped)
    if unmapped := sum(c.unmapped for c in left):
        yield Word.OPEN.value, screen.plural(unmapped, "more test"), "each needs a role that the profile does not map"
    for some in held.values():
        first = some[0]
        plain = len(some) == 1 or len({c.found for c in some}) == 1
        yield first.verdict.value, first.tested, first.found if plain else f"{len(some)} of {len(some)}: {_span(some)}"


def _line(c: Checked) -> tuple[str, str, str]:
    return c.verdict.value, " ".join(filter(None, (c.tested, f"[{c.item}]" if c.item else ""))), c.found


def _span(some: Sequence[Checked]) -> str:
    values = [c.measured for c in some if c.measured is not None]
    share = some[0].unit == "share"
    low, high = (f"{value:.0%}" if share else number(value) for value in (min(values), max(values)))
    return measure(low if low == high else f"{low} to {high}", "" if share else some[0].unit)
