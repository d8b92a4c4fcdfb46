"""How many more events to expect of units that are watched on, with an interval for the count itself.

A power law of age: a unit has scale * age^shape events by an age, on average. Units may differ (some are ridden harder,
some are built worse): each has a factor of mean 1, whose variance is read from how unequally the events fall on them.
Sources: L. H. Crow, in Reliability and Biometry (1974) 379 (power law); robust error: J. F. Lawless and C. Nadeau,
Technometrics 37 (1995) 158; J. F. Lawless, Can. J. Stat. 15 (1987) 15 (units that differ); few events: the count ahead
given a count behind at one rate, Jeffreys' prior (L. D. Brown, T. T. Cai, A. DasGupta, Statist. Sin. 13 (2003) 19).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log

import numpy as np

from herdbook.pipeline.arrays import Floats

FEWEST = 5  # events that tell how a rate changes with age; with fewer it is taken as one (engineering choice)


@dataclass(frozen=True, slots=True)
class CountForecast:
    """mean: expected count. variance: of the count, with what is not known of the rate. shape: over 1, the older, the
    more. steady: the rate was taken as the same at every age, as too few events tell."""

    mean: float
    variance: float
    shape: float
    between: float
    events: int
    steady: bool

    def at_most(self, sure: float) -> int:
        """The smallest count that holds with this probability at least: a negative binomial law."""
        return count_quantile(self.mean, self.variance, sure)

    @property
    def low(self) -> int:
        """The lower end of the 95 % interval: at most one in forty ends lie below it."""
        return count_quantile(self.mean, self.variance, 0.025)

    @property
    def high(self) -> int:
        return count_quantile(self.mean, self.variance, 0.975)


def count_ahead(entry: Floats, exit: Floats, events: Sequence[Floats], begin: Floats, end: Floats) -> CountForecast:
    """entry, exit: ages of each unit between which it was watched; events: ages of its events. begin, end: ages of the
    units that go on, between which events are to be counted. Ages are 0 or more; an exit lies beyond its entry."""
    own = [e[(e > a) & (e <= b)] for e, a, b in zip(events, entry, exit, strict=True)]
    counts = np.array([e.size for e in own], dtype=float)
    n = int(counts.sum())
    if n < FEWEST:
        share = float(np.sum(end - begin)) / float(np.sum(exit - entry))
        steady = (n + 0.5) * share
        return CountForecast(steady, steady + steady * share, 1.0, 0.0, n, True)
    ages = np.concatenate(own)
    unit = float(exit.max())  # ages near 1, so that powers stay in range
    a, b, c, d, t = entry / unit, exit / unit, begin / unit, end / unit, ages / unit
    shape = exp(_highest_shape(a, b, t))
    scale = n / float(np.sum(b**shape - a**shape))
    mean, slope = _expected(scale, shape, a, b)
    ahead, ahead_slope = _expected(scale, shape, c, d)
    between = max(0.0, float(np.sum((counts - mean) ** 2 - counts)) / float(np.sum(mean**2)))
    logs = np.array([float(np.sum(np.log(e / unit))) for e in own])
    total = float(np.sum(ahead))
    gradient = np.array([1.0, float(np.sum(ahead_slope)) / total]) if total > 0 else np.zeros(2)
    spread = _variance(np.stack([counts - mean, counts / shape + logs - slope]), scale, shape, a, b)
    unknown = float(gradient @ spread @ gradient)
    variance = total + between * float(np.sum(ahead**2)) + total**2 * unknown
    return CountForecast(total, variance, shape, between, n, False)


def _expected(scale: float, shape: float, begin: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Of each unit, and how it changes with the shape."""
    return scale * (end**shape - begin**shape), scale * (_slope(end, shape) - _slope(begin, shape))


def _slope(x: Floats, shape: float, power: int = 1) -> Floats:
    return np.where(x > 0, x**shape * np.log(np.maximum(x, 1e-300)) ** power, 0.0)


def _highest_shape(a: Floats, b: Floats, t: Floats) -> float:
    """The logarithm of the likeliest shape: the likelihood has one hill in it."""
    logs = float(np.sum(np.log(t)))

    def fit(x: float) -> float:
        shape = exp(x)
        return t.size * (x - log(float(np.sum(b**shape - a**shape)))) + (shape - 1) * logs

    grid = np.linspace(log(0.1), log(10.0), 60)
    best = int(np.argmax([fit(float(x)) for x in grid]))
    low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)])
    for _ in range(60):
        one, two = low + (high - low) / 3, high - (high - low) / 3
        low, high = (one, high) if fit(one) < fit(two) else (low, two)
    return 0.5 * (low + high)


def _variance(scores: Floats, scale: float, shape: float, a: Floats, b: Floats) -> Floats:
    """Of (log scale, shape): that of the model, or the robust one where that is larger. scores (2, units)."""
    n = float(np.sum(scale * (b**shape - a**shape)))
    cross = float(np.sum(scale * (_slope(b, shape) - _slope(a, shape))))
    bend = n / shape**2 + float(np.sum(scale * (_slope(b, shape, 2) - _slope(a, shape, 2))))
    alone = np.linalg.inv(np.array([[n, cross], [cross, bend]]))
    units = scores.shape[1]
    robust = alone @ (scores @ scores.T) @ alone * units / max(units - 1, 1)
    return np.asarray(robust if np.trace(robust) > np.trace(alone) else alone)


def count_quantile(mean: float, variance: float, sure: float) -> int:
    """The smallest k such that k or fewer come with the probability `sure` at least. Where the variance is over the
    mean, a negative binomial law of both; else Poisson's."""
    if mean <= 0:
        return 0
    most = int(mean + 40 * max(variance, mean) ** 0.5 + 60)
    k = np.arange(1, most + 1, dtype=float)
    if variance > mean * (1 + 1e-9):
        size = mean**2 / (variance - mean)
        first = size * log(size / (size + mean))
        steps = np.log((k - 1 + size) / k) + log(mean / (size + mean))
    else:
        first = -mean
        steps = log(mean) - np.log(k)
    chance = np.cumsum(np.exp(np.concatenate([[first], first + np.cumsum(steps)])))
    return int(np.searchsorted(chance, sure * (1 - 1e-12)))
