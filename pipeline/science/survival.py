"""Lives that ended or have not yet, some looked at from a later start on: curves, a comparison, and a Weibull fit.

A life is (entry, exit, failed): it was under watch from entry to exit (0 where from its birth on) and ended at exit, or
was last seen alive then. Sources: E. L. Kaplan and P. Meier, JASA 53 (1958) 457; O. Aalen, Ann. Statist. 6 (1978) 701;
N. Mantel, Cancer Chemother. Rep. 50 (1966) 163; W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability
Data (1998), chapters 8 and 11 (Weibull, likelihood intervals, truncation).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import erfc, exp, log, sqrt

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Integers

Z95 = 1.959963984540054
CHI95 = 3.841458820694124  # of one degree of freedom
FARTHEST = 50.0  # an end by so many powers of e from the lives seen is as good as none
FEWEST_FAILURES = 2  # of different times: with one, a Weibull shape has no upper end


@dataclass(frozen=True, slots=True)
class Lives:
    """entry, exit: of equal length, 0 <= entry < exit. failed: bool. Raises: ValueError when they are not so."""

    entry: Floats
    exit: Floats
    failed: Bools

    def __post_init__(self) -> None:
        same = self.entry.shape == self.exit.shape == self.failed.shape and self.exit.ndim == 1
        if not same or not np.all((self.entry >= 0) & (self.entry < self.exit) & np.isfinite(self.exit)):
            raise ValueError("a life begins at 0 or later and ends after its beginning")

    def __getitem__(self, chosen: Bools) -> Lives:
        return Lives(self.entry[chosen], self.exit[chosen], self.failed[chosen])


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """At each time of a failure: how many were at risk just before, how many failed, the share that survives it with
    its 95 % interval (log-log Greenwood), and the cumulative hazard (Nelson-Aalen) with its standard error."""

    times: Floats
    at_risk: Integers
    failures: Integers
    survival: Floats
    low: Floats
    high: Floats
    hazard: Floats
    hazard_se: Floats

    def at(self, t: float) -> float:
        """The share that survives t; 1 before the first failure."""
        i = int(np.searchsorted(self.times, t, side="right"))
        return float(self.survival[i - 1]) if i else 1.0

    @property
    def median(self) -> float | None:
        """The first time at which half or less survive; None while more than half do."""
        below = np.flatnonzero(self.survival <= 0.5 + 1e-12)
        return float(self.times[below[0]]) if below.size else None


def curve(lives: Lives) -> SurvivalCurve:
    """Kaplan-Meier and Nelson-Aalen. Who enters late counts as at risk from the entry on; who leaves at the time of a
    failure was still at risk."""
    times = np.unique(lives.exit[lives.failed])
    at_risk, failures = _risk(lives, times)
    with np.errstate(divide="ignore", invalid="ignore"):
        survival: Floats = np.cumprod(1 - failures / at_risk).astype(np.float64)
        greenwood = np.cumsum(failures / (at_risk * np.maximum(at_risk - failures, 0)))
        width = Z95 * np.sqrt(greenwood) / np.abs(np.log(survival))
        low, high = survival ** np.exp(width), survival ** np.exp(-width)
    unsure = ~np.isfinite(width)  # all have failed: no interval by this formula
    hazard = np.cumsum(failures / at_risk)
    se = np.sqrt(np.cumsum(failures / at_risk**2.0))
    return SurvivalCurve(
        times, at_risk, failures, survival, np.where(unsure, 0.0, low), np.where(unsure, survival, high), hazard, se
    )


def _risk(lives: Lives, times: Floats) -> tuple[Integers, Integers]:
    """At each time: entered before it and not yet gone; and failed at it."""
    entered = np.searchsorted(np.sort(lives.entry), times, side="left")
    gone = np.searchsorted(np.sort(lives.exit), times, side="left")
    ends = np.sort(lives.exit[lives.failed])
    failed = np.searchsorted(ends, times, side="right") - np.searchsorted(ends, times, side="left")
    return (entered - gone).astype(np.int64), failed.astype(np.int64)


@dataclass(frozen=True, slots=True)
class LogRank:
    """Of two groups: failures seen in the first, expected if both lived alike, chi-squared, and its p."""

    seen: int
    expected: float
    chi2: float
    p: float


def log_rank(first: Lives, second: Lives) -> LogRank | None:
    """Do two groups live alike? None where nothing can be told: no failure while both were at risk."""
    both = np.unique(np.concatenate([first.exit[first.failed], second.exit[second.failed]]))
    n1, d1 = _risk(first, both)
    n2, d2 = _risk(second, both)
    n, d = n1 + n2, d1 + d2
    expected = float(np.sum(d * n1 / np.maximum(n, 1)))
    spread = np.where(n > 1, d * (n1 / np.maximum(n, 1)) * (n2 / np.maximum(n, 1)) * (n - d) / np.maximum(n - 1, 1), 0)
    variance = float(np.sum(spread))
    if variance <= 0:
        return None
    chi2 = (float(np.sum(d1)) - expected) ** 2 / variance
    return LogRank(int(np.sum(d1)), expected, chi2, erfc(sqrt(chi2 / 2)))


@dataclass(frozen=True, slots=True)
class Weibull:
    """scale: the time by which 63.2 % fail. shape: under 1 fewer fail as time goes on, over 1 more. Intervals are 95 %
    likelihood intervals; an end that the data leave open is None."""

    scale: float
    shape: float
    log_likelihood: float
    scale_low: float | None
    scale_high: float | None
    shape_low: float | None
    shape_high: float | None
    lives: int
    failures: int

    def survival(self, t: float, given: float = 0.0) -> float:
        """The share that is alive at t of those alive at `given`."""
        return exp((given / self.scale) ** self.shape - (t / self.scale) ** self.shape)


def weibull(lives: Lives) -> Weibull | None:
    """The likeliest Weibull life. None with failures at fewer than two different times: then no shape can be told."""
    if np.unique(lives.exit[lives.failed]).size < FEWEST_FAILURES:
        return None
    unit = float(np.exp(np.mean(np.log(lives.exit))))  # times near 1, so that powers stay in range
    small = Lives(lives.entry / unit, lives.exit / unit, lives.failed)

    def by_shape(shape: float) -> float:
        return _best_likelihood(small, shape)

    shape = exp(_highest(lambda x: by_shape(exp(x)), log(0.02), log(50.0)))
    scale = exp(_log_scale_of(small, shape))
    best = by_shape(shape)

    least = best - CHI95 / 2
    shapes = _ends(lambda x: by_shape(exp(x)) - least, log(shape), 4.0)
    scales = [_scale_end(small, shapes, least, side) for side in (-1, 1)]
    failures = int(np.sum(lives.failed))
    return Weibull(
        scale=scale * unit,
        shape=shape,
        log_likelihood=best - failures * log(unit),
        scale_low=None if scales[0] is None else scales[0] * unit,
        scale_high=None if scales[1] is None else scales[1] * unit,
        shape_low=None if shapes[0] is None else exp(shapes[0]),
        shape_high=None if shapes[1] is None else exp(shapes[1]),
        lives=len(lives.exit),
        failures=failures,
    )


def _best_likelihood(lives: Lives, shape: float) -> float:
    """With the likeliest scale of this shape, under which as many failures are expected as were seen."""
    ends = lives.exit[lives.failed]
    n = len(ends)
    return n * (log(shape) - shape * _log_scale_of(lives, shape) - 1) + (shape - 1) * float(np.sum(np.log(ends)))


def _log_scale_of(lives: Lives, shape: float) -> float:
    """The logarithm of the likeliest scale where the shape is known; a scale itself may leave the range of numbers."""
    power = np.sum(lives.exit**shape - lives.entry**shape) / np.sum(lives.failed)
    return log(float(power)) / shape


def _scale_end(lives: Lives, shapes: tuple[float | None, float | None], least: float, side: int) -> float | None:
    """The smallest (side -1) or largest scale that some shape makes as likely as `least`. shapes: logarithms of the
    ends of its interval, between which that shape lies; None where an end is open: then this one is too."""
    low, high = shapes
    if low is None or high is None:
        return None
    failures = int(np.sum(lives.failed))

    def end(x: float) -> float:
        shape = exp(x)
        room = max(0.0, (_best_likelihood(lives, shape) - least) / failures)
        return side * (_log_scale_of(lives, shape) - _step(room, -side) / shape)

    far = side * end(_highest(end, low, high))
    return exp(far) if abs(far) < FARTHEST else None


def _step(room: float, side: int) -> float:
    """The x on one side of 0 with exp(x) - x - 1 = room: how far the hazard may move for a given loss of likelihood."""
    inner, outer = 0.0, side * (room + 2 * sqrt(room) + 1e-12)
    for _ in range(50):
        middle = 0.5 * (inner + outer)
        inner, outer = (middle, outer) if exp(middle) - middle - 1 < room else (inner, middle)
    return 0.5 * (inner + outer)


def _highest(f: Callable[[float], float], low: float, high: float) -> float:
    """Where a function with one hill is highest: golden section."""
    ratio = (sqrt(5) - 1) / 2
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    fa, fb = f(a), f(b)
    for _ in range(50):
        if fa < fb:
            low, a, fa = a, b, fb
            b = low + ratio * (high - low)
            fb = f(b)
        else:
            high, b, fb = b, a, fa
            a = high - ratio * (high - low)
            fa = f(a)
    return 0.5 * (low + high)


def _ends(f: Callable[[float], float], best: float, widest: float) -> tuple[float | None, float | None]:
    """Where f (positive at best) falls to 0 on either side within `widest`; None where it does not."""
    found: list[float | None] = []
    for side in (-1, 1):
        far = next((s for s in np.geomspace(0.01, widest, 40) if f(best + side * float(s)) < 0), None)
        if far is None:
            found.append(None)
            continue
        inner, outer = best, best + side * float(far)
        for _ in range(60):
            middle = 0.5 * (inner + outer)
            inner, outer = (middle, outer) if f(middle) >= 0 else (inner, middle)
        found.append(0.5 * (inner + outer))
    return found[0], found[1]
