"""A log's place in time: where a relative clock starts, what is believable, and what is doubtful.

Clocks are recorded, never mended: frames keep the time the log gave (plus one constant shift where the clock is
relative), and time that cannot be trusted is named, so that sessions leave it out.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.times import DAY, S, in_words, micros

OLDEST = micros(datetime(2010, 1, 1))  # a logger that says less has lost its clock
AHEAD = DAY  # a log may be this far ahead of the time it was received: zone mistakes, slow clocks
BACK = 1 * S  # disorder up to this is buffering between channels, not a clock that went back
MOST_SPANS = 20_000
# 2026-03-01T08:00:00Z, 2026-03-01_08-00-00, 20260301T080000, 2026-03-01 08.00.00+0100
NAME = re.compile(
    r"(?<!\d)(20\d\d)[-_.]?([01]\d)[-_.]?([0-3]\d)[T _-]?([0-2]\d)[-_.:h]?([0-5]\d)(?:[-_.:m]?([0-5]\d))?"
    r"(Z|[+-]\d\d:?\d\d)?(?!\d)"
)


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
    year, month, day, hour, minute, second, offset = found.groups()
    try:
        moment = datetime(int(year), int(month), int(day), int(hour), int(minute), int(second or 0))
    except ValueError:
        return None
    if offset == "Z":
        return micros(moment.replace(tzinfo=UTC)), ""
    if offset:
        return micros(datetime.fromisoformat(f"{moment.isoformat()}{offset}")), ""
    return local_to_utc(moment, zone)


@dataclass(frozen=True, slots=True)
class Placed:
    """How a log's times become UTC: t + shift. by: utc, sidecar, header or file name."""

    shift: int
    by: str
    notes: tuple[str, ...] = ()


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
    if header:
        start, note = local_to_utc(datetime.fromisoformat(header).replace(tzinfo=None), zone)
        if believable(start, now):
            return Placed(start, "header", (note,) if note else ())
    if found := start_from_name(name, zone):
        start, note = found
        if believable(start, now):
            return Placed(start, "file name", (note,) if note else ())
    raise InputError(
        "the log's clock is relative and nothing says when it started",
        "",
        "Write a sidecar with start = 2026-03-01T08:00:00Z, or put the start into the file's name",
    )


def ahead(spans: Sequence[Span], now: int) -> list[str]:
    """A note when the log ends after it was received: its clock runs ahead, by how much at least."""
    late = max((s.end for s in spans if s.dated), default=now) - now
    return [f"the log ends {late / S:.0f} s after it was received: its clock runs ahead"] if late > 0 else []


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of frames without a long silence, in file order. start, end: first and last time."""

    start: int
    end: int
    dated: bool


@dataclass
class Tracker:
    """Collects spans and clock events of a log: add() its pieces in file order, then spans(), doubts(), notes()."""

    now: int
    gap: int
    jump: int
    runs: list[list[int]] = field(default_factory=list)  # [lowest, highest, last, step that began it]
    events: list[str] = field(default_factory=list)

    def add(self, t: NDArray[np.int64]) -> None:
        """t: times of data frames, shifted, in file order."""
        if not len(t):
            return
        last = self.runs[-1][2] if self.runs else int(t[0])
        step = np.diff(t, prepend=np.int64(last))
        breaks = (step > self.gap) | (step < -BACK)
        breaks[0] |= not self.runs
        at = np.flatnonzero(breaks)
        edges = at if len(at) and at[0] == 0 else np.concatenate(([0], at))
        low, high = np.minimum.reduceat(t, edges), np.maximum.reduceat(t, edges)
        ends = t[np.concatenate((edges[1:] - 1, [len(t) - 1]))]
        begins_inside = not (len(at) and at[0] == 0)
        for i in range(len(edges)):  # one turn a silence or clock event, not a frame
            if i == 0 and begins_inside:
                run = self.runs[-1]
                run[0], run[1], run[2] = min(run[0], int(low[0])), max(run[1], int(high[0])), int(ends[0])
            else:
                self.runs.append([int(low[i]), int(high[i]), int(ends[i]), int(step[edges[i]])])
        if len(self.runs) > MOST_SPANS:
            raise InputError("the log's times make no sense: they jump all the time", "", "Look at the logger's clock")

    def spans(self) -> list[Span]:
        return [Span(lo, hi, believable(lo, self.now) and believable(hi, self.now)) for lo, hi, _, _ in self.runs]

    def doubts(self) -> list[tuple[int, int]]:
        """Time that two dated spans both claim, joined and in order."""
        out: list[tuple[int, int]] = []
        reach: int | None = None
        for span in sorted((s for s in self.spans() if s.dated), key=lambda s: (s.start, s.end)):
            if reach is not None and span.start < reach:
                end = min(span.end, reach)
                if out and span.start <= out[-1][1]:
                    out[-1] = (out[-1][0], max(out[-1][1], end))
                elif end > span.start:
                    out.append((span.start, end))
            reach = span.end if reach is None else max(reach, span.end)
        return out

    def notes(self) -> list[str]:
        """Clock events in words; at most fifty, then their number."""
        said = []
        for before, (lo, _, _, step) in zip(self.runs, self.runs[1:], strict=False):
            if step < -BACK:
                said.append(f"the clock went back by {-step / S:.1f} s, from {in_words(before[2])} to {in_words(lo)}")
            elif believable(before[2], self.now) != believable(lo, self.now):
                said.append(f"the clock jumped from {in_words(before[2])} to {in_words(lo)}")
            elif step > self.jump:
                since = in_words(before[2])
                said.append(f"no frames for {step / S:.0f} s from {since}: a pause or a clock that jumped")
        if any(not s.dated for s in self.spans()):
            said.append("part of the log carries no believable date; it is kept but not used")
        for start, end in self.doubts():
            said.append(f"{in_words(start)} to {in_words(end)} occurs twice in the log; kept but not used")
        return said if len(said) <= 50 else [*said[:50], f"and {len(said) - 50} more clock events"]
