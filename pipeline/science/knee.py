"""Where groups of one string stand in charge relative to each other, read where the curve is steep.

All groups of a string pass the same charge. So two groups with the same curve and different charge draw the
same curve, shifted along the axis of charge; the shift is the difference, in Ah. It can be read only where
voltage changes visibly with charge: on the plateau 1 mV is several per cent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Indices
from herdbook.pipeline.science.robust_fit import median, robust_sd

BASE = 5  # points of the curve either way for a slope
SHAPE_V = 0.002  # how far healthy curves of one batch differ in shape at equal charge (engineering choice)


@dataclass(frozen=True, slots=True)
class Shifts:
    """Per group, in Ah: charge passed when the group crossed, relative to the median group; standard error.

    NaN where the group did not cross; `beyond` (groups,) then holds the charge passed after the median
    crossed: the group is at least that far behind. levels_v: the voltages used. slope_v_per_ah: steepness
    where the group was read (root mean square over its levels)."""

    shift: Floats
    se: Floats
    beyond: Floats
    levels_v: Floats
    slope_v_per_ah: Floats


def crossings(q: Floats, v: Floats, levels: Floats) -> Floats:
    """Charge at which each group first crosses each level, rising. q (m,), v (m, groups): (levels, groups).

    v must be a smoothed curve; the crossing is interpolated between its points. NaN where never crossed, or
    where the curve begins above the level already.
    """
    above = v[None, :, :] >= levels[:, None, None]
    first = above.argmax(axis=1)  # (levels, groups)
    crossed = above.any(axis=1) & (first > 0)
    i = np.maximum(first, 1)
    g = np.arange(v.shape[1])[None, :]
    low, high = v[i - 1, g], v[i, g]
    share = (levels[:, None] - low) / np.where(high > low, high - low, 1.0)
    return np.where(crossed, q[i - 1] + np.clip(share, 0, 1) * (q[i] - q[i - 1]), np.nan)


def shifts(q: Floats, v: Floats, levels: Floats, noise_v: float, steep_v_per_ah: float) -> Shifts | None:
    """Differences in charge between groups from a curve rising with q; mirror v and q to read a falling one.

    levels: candidate voltages. A level counts when at least half of the groups crossed it (the median is then known)
    and the median slope there is steep enough. noise_v: standard deviation of a point of the smoothed curve. None
    when no level qualifies.
    """
    at = crossings(q, v, levels)
    half = np.isfinite(at).sum(axis=1) > v.shape[1] / 2
    at, levels = at[half], levels[half]
    middle = np.array([_median_with_late(row) for row in at])
    slope = _local_slope(q, v, at)
    good = (slope >= steep_v_per_ah) & np.isfinite(middle)
    if not good.any():
        return None
    return _combine(q, v[-1], at[good], middle=middle[good], levels=levels[good], slope=slope[good], noise_v=noise_v)


def _combine(
    q: Floats, last: Floats, at: Floats, middle: Floats, levels: Floats, slope: Floats, noise_v: float
) -> Shifts:
    """Weighted by slope squared: a level's error in Ah is its error in volts over its slope.

    Levels share their noise when they fall between the same points, so many of them earn no smaller error."""
    difference = at - middle[:, None]
    known = np.isfinite(difference)
    weight = np.where(known, (slope**2)[:, None], 0.0)
    total = weight.sum(axis=0)
    missed = total == 0.0
    safe = np.where(missed, 1.0, total)
    filled = np.where(known, difference, 0.0)
    shift = (weight * filled).sum(axis=0) / safe
    scatter = (weight * np.where(known, difference - shift, 0.0) ** 2).sum(axis=0) / safe
    steepness = np.sqrt(np.where(missed, 1.0, (weight * (slope**2)[:, None]).sum(axis=0) / safe))
    one = (noise_v**2 * (1 + np.pi / 2 / at.shape[1]) + SHAPE_V**2) / steepness**2
    se = np.sqrt(one + scatter)
    return Shifts(
        np.where(missed, np.nan, shift),
        np.where(missed, np.nan, se),
        np.where(missed & (last < levels.min()), q[-1] - middle.min(), np.nan),
        levels,
        np.where(missed, np.nan, steepness),
    )


def _median_with_late(row: Floats) -> float:
    """Median in which groups that did not cross count as later than all others."""
    filled = np.where(np.isfinite(row), row, np.inf)
    middle = median(filled)
    return middle if np.isfinite(middle) else float("nan")


def _local_slope(q: Floats, v: Floats, at: Floats) -> Floats:
    """Median over groups of dv/dq around each crossing, (levels,).

    Taken over BASE points either way: from point to point it would be noise, and noise always finds a slope.
    """
    i = np.arange(q.size)
    low, high = np.maximum(i - BASE, 0), np.minimum(i + BASE, q.size - 1)
    rate = (v[high] - v[low]) / (q[high] - q[low])[:, None]
    out = np.full(at.shape[0], np.nan)
    for j in range(at.shape[0]):
        known = np.flatnonzero(np.isfinite(at[j]))
        if known.size:
            i = np.clip(np.searchsorted(q, at[j, known]), 0, q.size - 1)
            out[j] = median(rate[i, known])
    return out


def averaged(q: Floats, v: Floats, bin_ah: float) -> tuple[Floats, Floats]:
    """Samples averaged in bins of charge: (bin centre (m,), voltage (m, groups))."""
    order, edges, count = _bins(q, bin_ah)
    return np.add.reduceat(q[order], edges) / count, np.add.reduceat(v[order], edges, axis=0) / count[:, None]


def curve(q: Floats, v: Floats, bin_ah: float) -> tuple[Floats, Floats, float]:
    """averaged(), and the noise of a point of it in V."""
    order, _, count = _bins(q, bin_ah)
    centre, mean = averaged(q, v, bin_ah)
    residual = v[order] - np.repeat(mean, count, axis=0)
    point_sd = median(np.array([robust_sd(column) for column in residual.T]))
    return centre, mean, point_sd / np.sqrt(max(1.0, median(count)))


def _bins(q: Floats, bin_ah: float) -> tuple[Indices, Indices, Indices]:
    """Samples in order of their bin, where each bin present begins in that order, and how many it has."""
    bins = np.floor((q - q.min()) / bin_ah).astype(np.int64)
    order = np.argsort(bins, kind="stable")
    first = np.flatnonzero(np.diff(bins[order], prepend=-1))
    return order, first, np.diff(first, append=q.size)
