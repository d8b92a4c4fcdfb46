"""What is drawn of a stretch of a vehicle's time: for each signal about two values a pixel, the lowest and the highest.

Short stretches are read from the parts as they are; long ones from prepared blocks (preparing.py). Either way what is
given says how many samples there are and how many of them are drawn.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.desk.blocks import Blocks, blocks_of, drawn, gaps_by, joined, none
from herdbook.pipeline.desk.levels import Item, OfItems
from herdbook.pipeline.desk.logs_of import frames_of, refs_of
from herdbook.pipeline.desk.pack_names import plain_names
from herdbook.pipeline.desk.preparing import Job, Preparing, messages_of
from herdbook.pipeline.desk.raw import raw_samples
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.lake.derived import HOLD_S
from herdbook.pipeline.lake.merge_samples import merge
from herdbook.pipeline.lake.read import LogRef, read_signals
from herdbook.pipeline.reports.drawing.traces import item_words, role_words
from herdbook.pipeline.spans import joined as joined_spans
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.roles import ROLES

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

EVERY = 300_000  # samples of a signal up to which a stretch is read as it is: a moment
EVERY_ALL = 5_000_000  # of all of them together: what is held in memory at once
FEW_LOGS = 12  # and of so many logs at most: each costs an opening
WAIT_S = 0.2  # for blocks, before what is there is given
HELD_A_PIXEL = 8  # blocks of a line while logs are put together
BRIDGED = 2  # pixels: logs closer to one another are shown as one stretch of record
BESIDE_US = int(HOLD_S * 1e6)  # read on each side: a line goes on to the edge, and a formula holds a value so long
MOST_LINES = 48
MOST_EXACT = 3_000_000  # samples of all items of a name
_NAME = re.compile(r"(?P<role>[a-z_]+)(?:\[(?P<item>[^\]]+)\])?")


@dataclass(frozen=True)
class Named:
    """A signal as it was asked for: a role, one item of it ("" for all), or Message.Signal."""

    text: str
    role: str
    item: str = ""


@dataclass(frozen=True)
class Line:
    """One signal, drawn. exact: each block is one sample."""

    name: str
    role: str
    item: Item
    unit: str
    states: tuple[str, ...]
    blocks: Blocks
    n: int
    exact: bool
    about: bool = False  # n counts whole blocks, also those that reach over the edges

    @property
    def words(self) -> str:
        if self.role not in ROLES:
            return self.name
        item = item_words(self.item) if self.item != "" else ""
        return f"{role_words(self.role)} {item}".strip()


@dataclass
class Drawing:
    """lines in the order asked for. recorded: stretches with a log, microseconds. left: logs still to prepare, of all
    that are needed. problems: what could not be drawn, and why. expired: logs whose rows are no longer kept."""

    start: int
    end: int
    lines: list[Line] = field(default_factory=list)
    recorded: list[tuple[int, int]] = field(default_factory=list)
    left: int = 0
    jobs: int = 0
    problems: list[str] = field(default_factory=list)
    logs: int = 0
    expired: int = 0
    overlapping: bool = False


def asked_for(names: Iterable[str]) -> tuple[list[Named], list[str]]:
    """The signals named, each once; and what is no name, in words."""
    found: dict[tuple[str, str], Named] = {}
    wrong = []
    for text in names:
        match = _NAME.fullmatch(text)
        if match and match["role"] in ROLES:
            found.setdefault((match["role"], match["item"] or ""), Named(text, match["role"], match["item"] or ""))
        elif "." in text:
            found.setdefault((text, ""), Named(text, text))
        else:
            near = ", ".join(difflib.get_close_matches(text, ROLES, 3, 0.5)) or "none"
            wrong.append(f"“{text}” is neither a role nor a Message.Signal. Near roles: {near}.")
    return list(found.values()), wrong


def draw(
    store: Store,
    preparing: Preparing,
    owner: str,
    vehicle: str,
    names: Sequence[str],
    start: int,
    end: int,
    pixels: int,
) -> Drawing:
    """start, end: microseconds UTC, end excluded. owner: who asks, for what is to be prepared. Raises: StoreError."""
    wanted, wrong = asked_for(plain_names(store, vehicle, names))
    out = Drawing(start, end, problems=wrong)
    refs = refs_of(store, vehicle, start, end)
    out.expired = sum(not r.part for r in refs)
    refs = [r for r in refs if r.part]
    profiles = {p.name: p for p in store.profiles()}
    if lacking := sorted({r.profile for r in refs} - set(profiles)):
        out.problems.append(f"The profile {', '.join(lacking)} is not among the profiles of this store any more.")
        refs = [r for r in refs if r.profile in profiles]
    counted = _counted(store, vehicle, refs, wanted, profiles, start, end)
    out.logs = len(refs)
    bridge = BRIDGED * max(1, (end - start) // max(1, pixels))
    spans = sorted((r.start, r.end) for r in refs)
    out.recorded = joined_spans(spans, bridge)
    out.overlapping = any(b[0] <= a[1] for a, b in pairwise(spans))
    jobs: list[Job] = []
    failed: dict[str, None] = {}
    short, room = set[Named](), EVERY_ALL
    for n in wanted:
        size = counted.get(n.role, 0)
        every = size * _items(n, profiles.values())
        if len(refs) <= FEW_LOGS and size <= EVERY and every <= room:
            short.add(n)
            room -= every
    made = {
        n: _prepared(store, preparing, refs, profiles, n, (start, end, pixels), jobs, failed)
        for n in wanted
        if n not in short
    }
    if jobs:
        out.jobs = len(jobs)
        out.left = preparing.want(owner, jobs, WAIT_S)
        made = {n: _prepared(store, preparing, refs, profiles, n, (start, end, pixels), [], failed) for n in made}
    if len(refs) <= FEW_LOGS and not out.left:  # blocks wider than a pixel
        short |= {n for n, of in made.items() if of and _coarse(of, pixels)}
    try:
        made |= _exactly(store, refs, profiles, vehicle, [n for n in wanted if n in short], start, end)
    except HerdbookError as error:
        out.problems.append(str(error))
    out.problems += failed
    for name in wanted:
        shown = [line for line in made.get(name, ()) if not name.item or str(line.item) == name.item]
        if not shown and not out.left and not failed:
            out.problems.append(_nothing(name, refs, profiles))
        out.lines += [_thinned(line, start, end, pixels) for line in shown]
    if len(out.lines) > MOST_LINES:
        out.problems.append(f"{len(out.lines)} signals were asked for; the first {MOST_LINES} are drawn.")
        del out.lines[MOST_LINES:]
    return out


def _counted(
    store: Store,
    vehicle: str,
    refs: Sequence[LogRef],
    wanted: Sequence[Named],
    profiles: dict[str, Profile],
    start: int,
    end: int,
) -> dict[str, int]:
    """About how many samples an item of each name has in the window: frames of its messages, by share of time."""
    messages = {n.role: set().union(*(messages_of(profiles[r.profile], n.role) for r in refs)) for n in wanted}
    if not refs:
        return {}
    frames = frames_of(store, vehicle, frozenset().union(*messages.values()))
    return {
        role: sum(_share(max((frames.get((r.log, m), 0) for m in of), default=0), r, start, end) for r in refs)
        for role, of in messages.items()
    }


def _items(name: Named, profiles: Iterable[Profile]) -> int:
    """Of how many items a name may be."""
    if name.role not in ROLES or name.item:
        return 1
    return max((sum(m.role == name.role for m in p.roles) for p in profiles), default=1) or 1


def estimate(store: Store, vehicle: str, names: Sequence[Named], start: int, end: int) -> tuple[int, int]:
    """About how many samples the fullest of these signals has between two times, microseconds, and how many all items
    of all of them have together."""
    profiles = {p.name: p for p in store.profiles()}
    refs = [r for r in refs_of(store, vehicle, start, end) if r.part and r.profile in profiles]
    counted = _counted(store, vehicle, refs, names, profiles, start, end)
    own = [profiles[name] for name in {r.profile for r in refs}]
    return max(counted.values(), default=0), sum(counted.get(n.role, 0) * _items(n, own) for n in names)


def _share(frames: int, ref: LogRef, start: int, end: int) -> int:
    inside = min(end, ref.end + 1) - max(start, ref.start)
    return int(frames * max(0, inside) / max(1, ref.end + 1 - ref.start))


def _coarse(lines: Sequence[Line], pixels: int) -> bool:
    return max(len(line.blocks) for line in lines) < pixels and sum(line.n for line in lines) <= MOST_EXACT


def _exactly(
    store: Store,
    refs: Sequence[LogRef],
    profiles: dict[str, Profile],
    vehicle: str,
    names: Sequence[Named],
    start: int,
    end: int,
) -> dict[Named, list[Line]]:
    out: dict[Named, list[Line]] = {name: [] for name in names}
    if not refs or not names:
        return out
    early, late = start - BESIDE_US, end + BESIDE_US
    spans = [(r.start, r.end) for r in refs]
    roles = sorted({n.role for n in names if n.role in ROLES})
    if roles:
        found = read_signals(store.lake, refs, profiles.values(), vehicle, start=early, end=late, roles=roles)
        for name in names:
            for item in found.items(name.role):
                if len(s := found.series(name.role, item)):
                    blocks = blocks_of(s.t, s.v, size=1, gap_us=gaps_by(s.t, spans)).between(start, end)
                    out[name].append(_line(name, item, blocks, _inside(s.t, s.v, start, end), exact=True))
    for name in names:
        if name.role not in ROLES:
            pieces = [raw_samples(store.lake.open(r.part, r.hash), r, name.role, early, late) for r in refs]
            t, v = merge(pieces, None)
            if t.shape[0]:
                unit, blocks = (
                    _raw_unit(profiles[refs[0].profile], name.role),
                    blocks_of(t, v, size=1, gap_us=gaps_by(t, spans)),
                )
                n = _inside(t, v, start, end)
                out[name].append(_line(name, "", blocks.between(start, end), n, exact=True, unit=unit))
    return out


def _inside(t: Times, v: Floats, start: int, end: int) -> int:
    """Samples with a value."""
    a, b = np.searchsorted(t, (start, end)).tolist()
    return int(np.isfinite(v[a:b]).sum())


def _prepared(
    store: Store,
    preparing: Preparing,
    refs: Sequence[LogRef],
    profiles: dict[str, Profile],
    name: Named,
    frame: tuple[int, int, int],
    jobs: list[Job],
    wrong: dict[str, None],
) -> list[Line]:
    """From blocks; what is not prepared yet goes to jobs, what cannot be to wrong, in words and once. Of many logs no
    more is held than some blocks a pixel. frame: start, end, pixels."""
    start, end, pixels = frame
    found: dict[Item, list[Blocks]] = {}
    for ref in refs:
        job = Job(store.lake, ref, profiles[ref.profile], name.role)
        of: OfItems | None = preparing.levels.find(job.key)
        if of is None:
            if why := preparing.why_not(job.key):
                wrong.setdefault(f"A log could not be read: {why}")
            else:
                jobs.append(job)
            continue
        for item, blocks in of.items():
            if len(blocks):
                pieces = found.setdefault(item, [])
                pieces.append(blocks.between(start, end))
                if len(pieces) > 1 and sum(map(len, pieces)) > HELD_A_PIXEL * pixels:
                    found[item] = [drawn(joined(pieces), start, end, pixels)]
    unit = "" if name.role in ROLES or not refs else _raw_unit(profiles[refs[0].profile], name.role)
    lines = []
    for item in sorted(found, key=lambda i: (isinstance(i, str), i)):
        blocks = joined(found[item])
        lines.append(_line(name, item, blocks, int(blocks.n.sum()), exact=False, unit=unit))
    return lines


def _line(name: Named, item: Item, blocks: Blocks, n: int, *, exact: bool, unit: str = "") -> Line:
    role = ROLES.get(name.role)
    return Line(
        name=name.role if item == "" else f"{name.role}[{item}]",
        role=name.role,
        item=item,
        unit=role.unit if role else unit,
        states=role.states if role else (),
        blocks=blocks,
        n=n,
        exact=exact,
        about=not exact,
    )


def _thinned(line: Line, start: int, end: int, pixels: int) -> Line:
    inside = line.blocks
    thin = drawn(inside, start, end, pixels)
    return Line(
        name=line.name,
        role=line.role,
        item=line.item,
        unit=line.unit,
        states=line.states,
        blocks=thin if len(thin) else none(),
        n=line.n,
        exact=line.exact and len(thin) == len(inside),
        about=line.about,
    )


def _raw_unit(profile: Profile, name: str) -> str:
    message, _, signal = name.partition(".")
    layout = profile.network().by_name.get(message)
    return next((s.unit or "" for s in layout.signals if s.name == signal), "") if layout else ""


def _nothing(name: Named, refs: Sequence[LogRef], profiles: dict[str, Profile]) -> str:
    if not refs:
        return f"{name.text}: nothing was recorded then."
    known = {
        f"{m.name}.{s.name}"
        for p in {r.profile for r in refs}
        for m in profiles[p].network().messages
        for s in m.signals
    }
    mapped = {m.role for p in {r.profile for r in refs} for m in profiles[p].roles}
    if name.role in ROLES and name.role not in mapped:
        return f"{name.text}: this vehicle's profile maps no such role."
    if name.role not in ROLES and name.role not in known:
        near = ", ".join(difflib.get_close_matches(name.role, known, 3, 0.4)) or "none"
        return f"{name.text}: no message of this vehicle has such a signal. Near names: {near}."
    return f"{name.text}: nothing of it was recorded in this stretch."
