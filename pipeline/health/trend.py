"""Trends over weeks: a robust slope with its interval, a test for monotony, and when a limit would be reached.

Sources: P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379 (slope and interval); H. B. Mann, Econometrica 13
(1945) 245; M. G. Kendall, Rank Correlation Methods (1975) (test, with ties).
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.looks import SLOPE, over_nights
from herdbook.pipeline.science.robust_fit import neighbours_alike

LEAST_POINTS = 6  # of a series that may have a date
CAUTION, MOST_ALIKE = 1.0, 0.95  # a whole standard error: at 12 points half of 0.6 is not seen (engineering choices)
MOST_POINTS = 600  # pairs grow with the square; beyond this the newest points are used


@dataclass(frozen=True, slots=True)
class Slope:
    """Theil-Sen line through (x, y): slope with interval low..high per unit of x, intercept at x = 0."""

    slope: float
    low: float
    high: float
    intercept: float
    n: int


@dataclass(frozen=True, slots=True)
class Monotony:
    """Mann-Kendall: s, its variance under no trend, z with continuity correction, two-sided p."""

    s: int
    var: float
    z: float
    p: float
    n: int


@dataclass(frozen=True, slots=True)
class Reach:
    """When a limit is reached, in units of x from 0: earliest, likely and latest. latest None: not certain ever."""

    earliest: float
    likely: float
    latest: float | None


def mann_kendall(y: Floats, fewer: float = 1.0) -> Monotony:
    """Is there a monotone trend in a series in order of time? Raises: ValueError under 3 points.

    fewer: beside_trend(x, y) where neighbours may be alike (K. Hamed and A. Rao, J. Hydrol. 204 (1998) 182)."""
    n = y.size
    if n < 3:
        raise ValueError("a trend test needs three points")
    i, j = np.triu_indices(n, 1)
    s = int(np.sign(y[j] - y[i]).sum())
    ties = np.unique(y, return_counts=True)[1]
    var = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18.0
    z = 0.0 if s == 0 or var <= 0 else (s - np.sign(s)) / np.sqrt(var * fewer)
    return Monotony(s, var, float(z), 2 * (1 - NormalDist().cdf(abs(float(z)))), n)


def theil_sen(x: Floats, y: Floats, confidence: float = 0.95, fewer: float = 1.0) -> Slope:
    """Median of all pairwise slopes, with Sen's interval. Raises: ValueError under 3 points or when x stands still.

    intercept: median(y) - slope * median(x). fewer: as for mann_kendall()."""
    if x.size < 3 or np.ptp(x) == 0.0:
        raise ValueError("a slope needs three points and an x that moves")
    x, y = x[-MOST_POINTS:], y[-MOST_POINTS:]
    i, j = np.triu_indices(x.size, 1)
    dx = x[j] - x[i]
    pairs = np.sort(((y[j] - y[i])[dx != 0]) / dx[dx != 0])
    slope = float(np.median(pairs))
    ties = [np.unique(v, return_counts=True)[1] for v in (x, y)]
    n = x.size
    var = (n * (n - 1) * (2 * n + 5) - sum(float((k * (k - 1) * (2 * k + 5)).sum()) for k in ties)) / 18.0
    var *= fewer
    reach = NormalDist().inv_cdf(0.5 + confidence / 2) * np.sqrt(max(var, 0.0))
    low = max(round((pairs.size - reach) / 2) - 1, 0)
    high = min(round((pairs.size + reach) / 2), pairs.size - 1)
    return Slope(slope, float(pairs[low]), float(pairs[high]), float(np.median(y) - slope * np.median(x)), n)


def beside_trend(x: Floats, y: Floats, caution: float = 0.0) -> float:
    """How many times wider in square an interval is because neighbours are alike in what a bent trend leaves; 1 with
    fewer than 6 points, which cannot tell. caution: standard errors of that correlation, 1 / sqrt(n), added to it."""
    if x.size < 6 or np.ptp(x) == 0.0:
        return 1.0
    at = (x - x.mean()) / np.ptp(x)
    columns = np.stack([np.ones_like(at), at, at**2], axis=1)
    left = y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]
    if left @ left <= 1e-18 * (y @ y):  # a curve without noise: what is left is the computer's rounding
        return 1.0
    r = max(neighbours_alike(left, fitted=3) + caution / float(np.sqrt(x.size)), 0.0)
    r = min(r, MOST_ALIKE)
    return (1.0 + r) / (1.0 - r)


def careful_p(x: Floats, y: Floats) -> float:
    """Two-sided p of a monotone trend in a figure whose neighbours may be alike, and that is looked at night by night.

    The Mann-Kendall test widened by beside_trend(), against Student's t with as many degrees of freedom as points count
    (by D. Wallace's normal equivalent, Ann. Math. Stat. 30 (1959) 1124), as the chance that any night so far showed as
    much (science/looks.py). Raises: ValueError under 3 points.
    """
    fewer = beside_trend(x, y, CAUTION)
    z = abs(mann_kendall(y, fewer).z)
    if fewer > 1.0:
        dof = max(y.size / fewer - 2.0, 1.0)
        z = (8 * dof + 1) / (8 * dof + 3) * float(np.sqrt(dof * np.log1p(z * z / dof)))
    return over_nights(2.0 * (1.0 - NormalDist().cdf(z)), y.size, LEAST_POINTS, SLOPE)


def reaches(
    x: Floats, y: Floats, limit: float, confidence: float = 0.95, p_most: float = 0.01, horizon: float | None = None
) -> Reach | None:
    """When y, going on as it has, reaches the limit; None when the data do not support a date.

    A date needs a significant monotone trend (p under p_most), a slope interval that excludes zero, and a
    limit that lies ahead. The line is taken through the newest level, the median of the last third. horizon:
    beyond it, a date is no more than a guess; the default is as long again as twice the observed span.
    """
    if x.size < LEAST_POINTS or np.ptp(x) == 0.0:
        return None
    x, y = x[-MOST_POINTS:], y[-MOST_POINTS:]
    if careful_p(x, y) > p_most:
        return None
    fit = theil_sen(x, y, confidence, beside_trend(x, y))
    if fit.low <= 0.0 <= fit.high:
        return None
    tail = max(3, x.size // 3)
    x0, y0 = (
        float(np.median(x[-tail:])),
        float(np.median(y[-tail:] - fit.slope * (x[-tail:] - np.median(x[-tail:])))),
    )
    ahead = limit - y0
    if ahead * fit.slope <= 0:
        return None
    steep, flat = sorted((fit.low, fit.high), key=abs, reverse=True)
    times = [x0 + ahead / s for s in (steep, fit.slope, flat)]
    last = x[-1] + (horizon if horizon is not None else 2.0 * float(np.ptp(x)))
    if times[0] > last:
        return None
    return Reach(times[0], times[1], times[2] if times[2] <= last else None)
