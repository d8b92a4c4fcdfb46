"""The stretches of frames in one log, as its own clock tells them, and which of their time is doubtful."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from herdbook.pipeline.arrays import Times
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.clock import believable
from herdbook.pipeline.times import S, in_words

BACK = 1 * S  # disorder up to this is buffering between channels, not a clock that went back
MOST_RUNS = 20_000


def ahead(spans: Sequence[LoggedSpan], now: int) -> list[str]:
    """A note when the log ends after it was received: its clock runs ahead, by how much at least."""
    late = max((s.end for s in spans if s.dated), default=now) - now
    return [f"the log ends {late / S:.0f} s after it was received: its clock runs ahead"] if late > 0 else []


@dataclass(frozen=True, slots=True)
class LoggedSpan:
    """A stretch of frames without a long silence, in file order. start, end: first and last time."""

    start: int
    end: int
    dated: bool


class Run(NamedTuple):
    """Frames without a long silence, in file order: lowest, highest and last time, and the step that began it."""

    low: int
    high: int
    last: int
    step: int


@dataclass
class SpanTracker:
    """Collects spans and clock events of a log: add() its pieces in file order, then spans(), doubts(), notes()."""

    now: int
    gap: int
    jump: int
    runs: list[Run] = field(default_factory=list)
    first: int = 0

    def add(self, t: Times) -> None:
        """t: times of data frames, shifted, in file order."""
        if not len(t):
            return
        if not self.runs:
            self.first = int(t[0])
        last = self.runs[-1].last if self.runs else self.first
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
                self.runs[-1] = Run(min(run.low, int(low[0])), max(run.high, int(high[0])), int(ends[0]), run.step)
            else:
                self.runs.append(Run(int(low[i]), int(high[i]), int(ends[i]), int(step[edges[i]])))
        self._believe()

    def follow(self, later: SpanTracker) -> None:
        """What another tracker collected from the stretch of the log behind ours is ours as well."""
        if not self.runs or not later.runs:
            self.runs, self.first = (self.runs, self.first) if self.runs else (list(later.runs), later.first)
            return
        before, after, step = self.runs[-1], later.runs[0], later.first - self.runs[-1].last
        if step > self.gap or step < -BACK:
            self.runs.append(after._replace(step=step))
        else:
            both = Run(min(before.low, after.low), max(before.high, after.high), after.last, before.step)
            self.runs[-1] = both
        self.runs += later.runs[1:]
        self._believe()

    def _believe(self) -> None:
        if len(self.runs) > MOST_RUNS:
            raise InputError("the log's times make no sense: they jump all the time", "", "Look at the logger's clock")

    def spans(self) -> list[LoggedSpan]:
        return [LoggedSpan(lo, hi, believable(lo, self.now) and believable(hi, self.now)) for lo, hi, *_ in self.runs]

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
        for before, (lo, _, _, step) in pairwise(self.runs):
            if step < -BACK:
                said.append(f"the clock went back by {-step / S:.1f} s, from {in_words(before.last)} to {in_words(lo)}")
            elif believable(before.last, self.now) != believable(lo, self.now):
                said.append(f"the clock jumped from {in_words(before.last)} to {in_words(lo)}")
            elif step > self.jump:
                since = in_words(before.last)
                said.append(f"no frames for {step / S:.0f} s from {since}: a pause or a clock that jumped")
        if any(not s.dated for s in self.spans()):
            said.append("part of the log carries no believable date; it is kept but not used")
        for start, end in self.doubts():
            said.append(f"{in_words(start)} to {in_words(end)} occurs twice in the log; kept but not used")
        return said if len(said) <= 50 else [*said[:50], f"and {len(said) - 50} more clock events"]
