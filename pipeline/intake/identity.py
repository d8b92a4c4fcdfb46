"""Whose log is it: sidecar, else a pattern on the path, else identity signals on the bus. Contradictions are refused.

Serials of 0 or all ones are unset memory, not identities. Names are text from outside: they are checked for length and
control characters here, and shown escaped everywhere else.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import regex

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.identity_signals import SerialSeen
from herdbook.pipeline.vehicle.profile import Profile

LONGEST_NAME = 64
PATTERN_S = 1.0  # a pattern finds its name in microseconds; one that needs longer goes back over the path without end


class ContradictionError(InputError):
    """Two sources name different vehicles: the log is nobody's until a person decides."""


BY_A_PERSON = "person"  # how a log is known whose vehicle a person named


def checked_name(name: str, what: str) -> str:
    """A name from outside, trimmed. Raises: ValueError for an empty or long one or one with control characters."""
    name = name.strip()
    if not name or len(name) > LONGEST_NAME:
        raise ValueError(f"{what} must have 1 to {LONGEST_NAME} characters")
    if not name.isprintable():
        raise ValueError(f"{what} holds characters that cannot be printed")
    return name


def vehicle_from_path(path: str, patterns: Sequence[str]) -> str:
    """The vehicle that the patterns find in a path (with /; its last three pieces count), or "".

    Raises: InputError when two patterns disagree, one takes too long, or the name cannot be used.
    """
    near = "/".join(path.split("/")[-3:])
    found = {name for pattern in patterns for name in _found(pattern, near)}
    if len(found) > 1:
        raise ContradictionError(f"the path names {' and '.join(sorted(found))}", "", "Make the path patterns agree")
    try:
        return checked_name(found.pop(), "vehicle") if found else ""
    except ValueError as error:
        raise InputError(f"the path's vehicle cannot be used: {error}", "", "Rename the file") from None


def _found(pattern: str, path: str) -> set[str]:
    try:
        return {m["vehicle"] for m in regex.finditer(pattern, path, timeout=PATTERN_S) if m["vehicle"]}
    except TimeoutError:
        what = f"the pattern {pattern!r} takes over {PATTERN_S:g} s on this path: repeats inside repeats, as in (a+)+"
        raise InputError(
            what, "", "Make the path pattern plainer (herdbook.toml or [identity] path), then retry"
        ) from None
    except regex.error as error:
        raise InputError(
            f"the pattern {pattern!r} is none: {error}", "", "Correct the path pattern, then retry"
        ) from None


def vehicle_name(serial: str, profile: Profile) -> str:
    """A vehicle serial from the bus, as the profile writes vehicles: "HB-{serial:05d}"."""
    form = profile.identity.get("vehicle", "")
    if not serial.isdecimal():  # already as the maker writes it
        return re.sub(r"\{serial[^}]*\}", lambda _: serial, form) if form else serial
    return form.format(serial=int(serial)) if form else serial


def whose(
    sidecar: str, path: str, serials: Sequence[SerialSeen], profile: Profile, otherwise: str = "", where: str = ""
) -> tuple[str, str]:
    """(vehicle, how it is known: sidecar, path, bus or setting). path: the vehicle that it names. otherwise: the
    setting, for a log that none of them names. where: the log's path, for words.

    Raises: ContradictionError; InputError when nobody says.
    """
    on_bus = sorted({s.serial for s in serials if s.component == "vehicle"})
    if len(on_bus) > 1:
        raise ContradictionError(
            f"the log holds several vehicles: serials {', '.join(on_bus[:5])}",
            "",
            "Two rides were merged into one file, or a serial was rewritten: split the log",
        )
    bus = vehicle_name(on_bus[0], profile) if on_bus else ""
    claims = [(by, name) for by, name in (("sidecar", sidecar), ("path", path), ("bus", bus)) if name]
    if not claims and otherwise:
        try:
            return checked_name(otherwise, "vehicle"), "setting"
        except ValueError as error:
            do = "Correct vehicle = ... in herdbook.toml, or the name given to the command"
            raise InputError(f"the vehicle that the settings name cannot be used: {error}", "", do) from None
    if not claims:
        mend = "correct" if "path" in profile.identity else "add"
        raise InputError(
            f"nothing says which vehicle this log is from{_why_not(profile, where)}",
            "",
            f'Write a sidecar with vehicle = "...", or {mend} [identity] path in {profile.path.name}',
        )
    for by, name in claims[1:]:
        if name != claims[0][1] and not (by == "bus" and _same_number(claims[0][1], on_bus[0], profile)):
            raise ContradictionError(
                f"the {claims[0][0]} says {claims[0][1]!r}, but the {by} says {name!r}",
                "",
                _ways_out(claims, profile),
            )
    return claims[0][1], claims[0][0]


def _ways_out(claims: Sequence[tuple[str, str]], profile: Profile) -> str:
    """What a person can do when the bus, or the path, says another vehicle."""
    if claims[-1][0] != "bus":
        return "Find out which is right, and correct the sidecar or the file's name"
    return (
        "Find out which is right. Where the maker writes serials in another way, say how under [identity] in "
        f'{profile.path.name}: vehicle = "HB-{{serial:05d}}". Where that signal is no serial of the vehicle, take '
        "vehicle_serial out of [roles]. Where the log lies in the wrong place, move it, or write a sidecar with the "
        "vehicle that the bus names"
    )


def _why_not(profile: Profile, where: str) -> str:
    pattern = profile.identity.get("path")
    if pattern is None:
        return f": the profile {profile.path.name} has no [identity] path, and no serial was on the bus"
    return f": the pattern {pattern!r} of {profile.path.name} finds no vehicle in {'/'.join(where.split('/')[-3:])!r}"


def _same_number(name: str, serial: str, profile: Profile) -> bool:
    """Without a written form in the profile, HB-00017 and serial 17 are the same vehicle."""
    digits = re.search(r"(\d+)$", name)
    if "vehicle" in profile.identity or not serial.isdecimal():
        return False
    return digits is not None and int(digits[1]) == int(serial)
