"""Stretches in which several quantities have settled: means of the two halves of a sliding window agree."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Indices
from herdbook.pipeline.science.stretches import Stretches


def settled(values: Floats, tolerance: Floats, window: int, trim: int) -> Stretches:
    """values (k, n) on an even grid, NaN where nothing was recorded; tolerance (k,): by how much the means of the two
    halves of a window may differ. window: samples, even, within n. trim: taken off both ends of a stretch, where it may
    still hold some of the step beside it. Neighbouring stretches whose levels differ are parted.
    """
    n = values.shape[1]
    half = window // 2
    none = Stretches(np.empty(0, np.intp), np.empty(0, np.intp))
    if n < window or half < 1:
        return none
    good = np.ones(n - window + 1, np.bool_)
    for row, most in zip(values, tolerance, strict=True):
        total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(row))))
        holes = np.concatenate(([0], np.cumsum(np.isnan(row))))
        first = (total[half : n - half + 1] - total[: n - window + 1]) / half
        second = (total[window:] - total[half : n - half + 1]) / half
        good &= (np.abs(second - first) <= most) & (holes[window:] == holes[: n - window + 1])
    inside = _covered(good, window)
    edge = np.flatnonzero(np.diff(np.concatenate(([0], inside.view(np.int8), [0]))))
    first_i, last_i = edge[::2], edge[1::2] - 1
    found = [piece for a, b in zip(first_i, last_i, strict=True) for piece in _parted(values, tolerance, a, b, window)]
    kept = [(a + trim, b - trim) for a, b in found if b - a + 1 >= window]
    if not kept:
        return none
    a_all, b_all = (np.array(c, np.intp) for c in zip(*kept, strict=True))
    return Stretches(a_all, b_all).keep(b_all - a_all + 1 >= half)


def _covered(good: Bools, window: int) -> Bools:
    """Samples that lie in a good window."""
    step = np.zeros(good.size + window, np.int64)
    step[:-window][good] += 1
    step[window:][good] -= 1
    return np.asarray(np.cumsum(step)[: good.size + window - 1] > 0)


def _parted(values: Floats, tolerance: Floats, a: Indices, b: Indices, window: int) -> list[tuple[int, int]]:
    """A stretch that creeps from one level to another, cut into pieces that hold theirs."""
    begin, end = int(a), int(b)
    out, start = [], begin
    half = window // 2
    for at in range(begin + half, end - half + 2, half):
        if at - start < half:
            continue
        piece, ahead = values[:, start:at], values[:, at : min(at + half, end + 1)]
        if ahead.shape[1] and (np.abs(piece.mean(axis=1) - ahead.mean(axis=1)) > 1.5 * tolerance).any():
            out.append((start, at - 1))
            start = at
    out.append((start, end))
    return out
