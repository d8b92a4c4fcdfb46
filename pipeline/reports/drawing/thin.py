"""Fewer points to draw, with every spike kept.

A trace of n samples is cut into slices of equal count; of each the lowest and the highest sample are kept,
in their order, and so is the first and the last of all. A one-sample spike is the extreme of its slice and
therefore survives. A stretch without samples stays a hole: a not-a-number is set where the record is
interrupted, so no line bridges it.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Indices, Times

GAP_S = 2.0  # engineering choice: twenty times the usual 100 ms cycle of slow CAN frames
GAP_CYCLES = 5.0


def keep(v: Floats, points: int) -> Indices:
    """Indices to draw, rising; at most points + 2 of them. v: shape (n,)."""
    n = v.shape[0]
    if n <= points or points < 4:
        return np.arange(n)
    slices = points // 2
    edges = np.linspace(0, n, slices + 1).astype(np.intp)
    width = int(np.diff(edges).max())
    grid = np.minimum(edges[:-1, None] + np.arange(width), edges[1:, None] - 1)  # (slices, width); short ones repeat
    low = np.where(np.isnan(v[grid]), np.inf, v[grid]).argmin(axis=1)
    high = np.where(np.isnan(v[grid]), -np.inf, v[grid]).argmax(axis=1)
    rows = np.arange(slices)
    return np.unique(np.concatenate(([0, n - 1], grid[rows, low], grid[rows, high])))


def gaps(t: Times) -> Bools:
    """True at each sample that follows an interruption: longer than GAP_S and than GAP_CYCLES usual steps."""
    out = np.zeros(t.shape, bool)
    if t.shape[0] > 2:
        step = np.diff(t)
        out[1:] = step > max(GAP_S * 1e6, GAP_CYCLES * float(np.median(step)))
    return out


def thin(t: Times, v: Floats, points: int) -> tuple[Times, Floats]:
    """At most about `points` samples, spikes kept, interruptions marked by a not-a-number."""
    kept = keep(v, points)
    broken = np.cumsum(gaps(t))[kept]
    holes = np.flatnonzero(np.diff(broken) > 0) + 1
    kt, kv = t[kept], v[kept]
    return np.insert(kt, holes, kt[holes] - 1), np.insert(kv, holes, np.nan)
