"""Blocks of samples with their lowest and highest: what a long stretch of a signal is drawn from, no spike lost.

A block holds at most BLOCK samples that follow each other without an interruption. Where the record is interrupted, or
a value was received that is impossible or not available, a new run begins: no line bridges it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Bools, Floats, Times
from herdbook.pipeline.reports.drawing.thin import GAP_CYCLES, GAP_S

BLOCK = 256  # samples: 100 million are 390,000 blocks, which are looked through in milliseconds
NARROW = 2  # blocks a pixel below which all of them are drawn


@dataclass(frozen=True, slots=True)
class Blocks:
    """All of shape (blocks,), in order of time. first, last: times of the first and last sample, microseconds UTC.
    low, high: their extremes. n: samples (int64). begins: a run begins with it. gap_us: the pause that ends a run."""

    first: Times
    last: Times
    low: Floats
    high: Floats
    n: NDArray[np.int64]
    begins: Bools
    gap_us: float = GAP_S * 1e6

    def __len__(self) -> int:
        return int(self.first.shape[0])

    @property
    def nbytes(self) -> int:
        return sum(a.nbytes for a in (self.first, self.last, self.low, self.high, self.n, self.begins))

    def between(self, start: int, end: int) -> Blocks:
        """Those that touch [start, end), microseconds; and one on each side, so that lines go on to the edge."""
        a = max(0, int(np.searchsorted(self.last, start, "left")) - 1)
        b = min(len(self), int(np.searchsorted(self.first, end, "left")) + 1)
        cut = slice(a, max(a, b))
        return Blocks(
            first=self.first[cut],
            last=self.last[cut],
            low=self.low[cut],
            high=self.high[cut],
            n=self.n[cut],
            begins=self.begins[cut],
            gap_us=self.gap_us,
        )


def gaps_by(t: Times, spans: Sequence[tuple[int, int]]) -> Floats:
    """The pause that counts before each sample, (n,), by the usual step of the log it lies in: one log of a vehicle may
    be a hundred times faster than the next. spans: of logs, both ends in, microseconds."""
    out = np.full(t.shape, usual_gap(t))
    for start, end in spans:
        inside = slice(int(np.searchsorted(t, start, "left")), int(np.searchsorted(t, end, "right")))
        if inside.stop > inside.start:
            out[inside] = usual_gap(t[inside])
    return out


def usual_gap(t: Times) -> float:
    """The pause that counts as an interruption, microseconds. t: rising."""
    step = float(np.median(np.diff(t))) if t.shape[0] > 2 else 0.0
    return max(GAP_S * 1e6, GAP_CYCLES * step)


def blocks_of(
    t: Times, v: Floats, size: int = BLOCK, gap_us: float | Floats | None = None, before: int | None = None
) -> Blocks:
    """t rising, v of the same shape; NaN ends a run. size: samples of a block; 1 keeps every sample. gap_us: the pause
    that ends a run, for all or before each sample. before: time of the sample that came before these, when there was
    one without a NaN behind it."""
    gap = np.broadcast_to(np.asarray(usual_gap(t) if gap_us is None else gap_us, np.float64), t.shape)
    most = float(gap.max()) if t.shape[0] else GAP_S * 1e6
    good = np.isfinite(v)
    broken = np.empty(t.shape, np.int64)
    if t.shape[0]:
        broken[0] = before is None or t[0] - before > gap[0]
        broken[1:] = np.diff(t) > gap[1:]
    run = np.cumsum(broken + ~good)[good]
    t, v = t[good], v[good]
    if not t.shape[0]:
        return none(most)
    begins = np.empty(t.shape, np.bool_)
    begins[0] = bool(run[0])
    begins[1:] = np.diff(run) > 0
    at = np.arange(t.shape[0])
    since = at - np.maximum.accumulate(np.where(begins, at, 0))
    starts = np.flatnonzero(begins | (since % size == 0))
    ends = np.append(starts[1:], t.shape[0])
    return Blocks(
        first=t[starts],
        last=t[ends - 1],
        low=np.minimum.reduceat(v, starts),
        high=np.maximum.reduceat(v, starts),
        n=ends - starts,
        begins=begins[starts],
        gap_us=most,
    )


def none(gap_us: float = GAP_S * 1e6) -> Blocks:
    t, v = np.empty(0, np.int64), np.empty(0, np.float64)
    return Blocks(first=t, last=t, low=v, high=v, n=t, begins=np.empty(0, np.bool_), gap_us=gap_us)


def joined(pieces: Sequence[Blocks]) -> Blocks:
    """One after the other; pieces of logs that overlap in time are put in order of their first times."""
    pieces = [p for p in pieces if len(p)]
    if not pieces:
        return none()
    if len(pieces) == 1:
        return pieces[0]
    first = np.concatenate([p.first for p in pieces])
    last = np.concatenate([p.last for p in pieces])
    order = np.arange(first.shape[0]) if (np.diff(first) >= 0).all() else np.argsort(first, kind="stable")
    return Blocks(
        first=first[order],
        last=np.maximum.accumulate(last[order]),
        low=np.concatenate([p.low for p in pieces])[order],
        high=np.concatenate([p.high for p in pieces])[order],
        n=np.concatenate([p.n for p in pieces])[order],
        begins=np.concatenate([p.begins for p in pieces])[order],
        gap_us=max(p.gap_us for p in pieces),
    )


def drawn(blocks: Blocks, start: int, end: int, pixels: int) -> Blocks:
    """At most about one block a pixel of [start, end): what falls into one pixel becomes one. A run that begins inside
    a pixel, narrower than it, is not seen; it is counted in the run that is drawn."""
    if len(blocks) <= NARROW * pixels:
        return blocks
    middle = blocks.first + (blocks.last - blocks.first) // 2
    pixel = np.clip((middle - start) * pixels // max(1, end - start), -1, pixels)
    starts = np.flatnonzero(np.concatenate(([True], np.diff(pixel) != 0)))
    ends = np.append(starts[1:], len(blocks))
    return Blocks(
        first=blocks.first[starts],
        last=blocks.last[ends - 1],
        low=np.minimum.reduceat(blocks.low, starts),
        high=np.maximum.reduceat(blocks.high, starts),
        n=np.add.reduceat(blocks.n, starts),
        begins=blocks.begins[starts],
        gap_us=blocks.gap_us,
    )
