"""A log's place in time: where a relative clock starts, and what is believable.

Clocks are recorded, never mended: frames keep the time the log gave (plus one constant shift where the clock is
relative), and time that cannot be trusted is named (logged_spans.py), so that sessions leave it out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.times import DAY, S, in_words, micros

OLDEST = micros(datetime(2010, 1, 1))  # a logger that says less has lost its clock
FAR = micros(datetime(2100, 1, 1))  # what says more is no date
AHEAD = DAY  # a log may be this far ahead of the time it was received: zone mistakes, slow clocks
# 2026-03-01T08:00:00Z, 2026-03-01_08-00-00, 20260301T080000, 2026-03-01 08.00.00+0100
NAME = re.compile(
    r"(?<!\d)(20\d\d)[-_.]?([01]\d)[-_.]?([0-3]\d)[T _-]?([0-2]\d)[-_.:h]?([0-5]\d)(?:[-_.:m]?([0-5]\d))?"
    r"(Z|[+-]\d\d:?\d\d)?(?!\d)"
)


ZONE_DOUBT = "the profile's vehicles are in"  # in the note of a log whose hour may be of another zone


def in_doubt(placed: Placed, read_in: str, profile_zone: str) -> Placed:
    """The same with a note when its hour was read in another zone than the profile's: a logger may keep either."""
    if not placed.local or profile_zone in ("", read_in):
        return placed
    do = f'if its logger keeps local time, write zone = "{profile_zone}" into herdbook.toml or its sidecar'
    note = f"the hour in its {placed.by} was read in {read_in}, while {ZONE_DOUBT} {profile_zone}; {do}"
    return replace(placed, notes=(*placed.notes, note))


def believable(t: int, now: int) -> bool:
    """False for 1970, 1980, 2000-01-01 and other signs of a clock that was never set, and for the future."""
    return OLDEST <= t <= now + AHEAD


def local_to_utc(moment: datetime, zone: str) -> tuple[int, str]:
    """UTC microseconds of a wall-clock time, and a note when the zone's clock change makes it ambiguous."""
    first = moment.replace(tzinfo=ZoneInfo(zone), fold=0)
    second = first.replace(fold=1)
    note = ""
    if first.utcoffset() != second.utcoffset():
        note = (
            f"{moment:%Y-%m-%d %H:%M} happens twice or never in {zone} (clocks change); the earlier reading was taken"
        )
    return micros(first.astimezone(UTC)), note


def start_from_name(name: str, zone: str) -> tuple[int, str] | None:
    """Start written in a file name, as UTC microseconds, and a note; None when there is none."""
    if not (found := NAME.search(name)):
        return None
    try:
        return _start(*found.groups(), zone=zone)
    except (ValueError, OverflowError):  # no such day, or one that no calendar has in UTC
        return None


def _start(
    year: str, month: str, day: str, hour: str, minute: str, second: str | None, offset: str | None, *, zone: str
) -> tuple[int, str]:
    moment = datetime(int(year), int(month), int(day), int(hour), int(minute), int(second or 0))
    if offset == "Z":
        return micros(moment.replace(tzinfo=UTC)), ""
    if offset:
        return micros(datetime.fromisoformat(f"{moment.isoformat()}{offset}")), ""
    return local_to_utc(moment, zone)


class NotYetError(InputError):
    """A log from a time that this computer's clock has not reached: one of the two clocks is wrong. again: from when on
    it can be believed, microseconds UTC."""

    def __init__(self, t: int, now: int) -> None:
        """t: a time in the log. now: what this computer's clock said."""
        self.again = t - AHEAD
        super().__init__(
            f"the log is from {in_words(t)}, but this computer's clock said {in_words(now)}: one of the two is wrong",
            "",
            f"Check this computer's clock; the log is tried again by itself from {in_words(self.again)} on. If it is "
            "the logger's clock, write a sidecar with start = 2026-03-01T08:00:00Z",
        )


@dataclass(frozen=True, slots=True)
class Placed:
    """How a log's times become UTC: t + shift. by: utc, sidecar, header or file name."""

    shift: int
    by: str
    notes: tuple[str, ...] = ()
    local: bool = False  # an hour without a zone of its own was read in the zone in force


def place(*, clock: str, first: int, now: int, sidecar: int | None, header: str, name: str, zone: str) -> Placed:
    """Decide the shift of a log from its clock ("utc" or "relative"), its first time, and what else is known.

    Raises: InputError when the log cannot be placed in time.
    """
    if clock == "utc" and believable(first, now):
        if sidecar is not None and abs(sidecar - first) > 60 * S:
            note = f"the sidecar's start differs by {(sidecar - first) / S:+.0f} s; the log's own clock was used"
            return Placed(0, "utc", (note,))
        return Placed(0, "utc")
    base = first if clock == "utc" else 0
    notes = (f"the log's clock began at {in_words(first)}, which cannot be",) if clock == "utc" else ()
    if sidecar is not None:
        return Placed(sidecar - base, "sidecar", notes)
    if clock == "utc":
        return Placed(0, "utc", notes)  # a later part of the log may still be dated
    later = []
    if header:
        start, note = local_to_utc(datetime.fromisoformat(header).replace(tzinfo=None), zone)
        if believable(start, now):
            return Placed(start, "header", (note,) if note else (), local=True)
        later.append(start)
    if found := start_from_name(name, zone):
        start, note = found
        if believable(start, now):
            own = NAME.search(name)
            local = own is not None and own[7] is None
            return Placed(start, "file name", (note,) if note else (), local)
        later.append(start)
    if ahead := [start for start in later if now + AHEAD < start < FAR]:
        raise NotYetError(min(ahead), now)
    raise InputError(
        "the log's clock is relative and nothing says when it started",
        "",
        "Write a sidecar with start = 2026-03-01T08:00:00Z, or put the start into the file's name",
    )
