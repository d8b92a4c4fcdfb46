"""Control charts of single values in order: Shewhart's limits, EWMA and CUSUM, each with its average run length.

Values are standardised by the mean and standard deviation of a baseline; the standard deviation comes from the moving
range of neighbours, so that a slow drift of the baseline does not widen it. The run length is how many values pass, on
average, until a chart signals: at no shift that is how rarely it cries wolf.

Sources: D. C. Montgomery, Introduction to Statistical Quality Control; J. M. Lucas and R. B. Crosier, Technometrics 24
(1982) 199; J. M. Lucas and M. S. Saccucci, Technometrics 32 (1990) 1; from memory. Run lengths by their integral
equations, held against printed values in tests/science/test_control_charts.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import inf, isnan, nan, pi, sqrt

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.science.conformity import normal_below
from herdbook.pipeline.science.normal_samples import d2

SHEWHART_L = 3.0
EWMA_WEIGHT, EWMA_L = 0.2, 2.962  # about 500 values to a false alarm; with 2.7 it would be 369 at a weight of 0.1
CUSUM_K, CUSUM_H = 0.5, 5.0  # 465
NODES = 120
MOST_DRAWN = 4_000_000  # values of one simulation


@dataclass(frozen=True, slots=True)
class Baseline:
    """What a chart is drawn about. n: values behind it."""

    mean: float
    sd: float
    n: int


@dataclass(frozen=True, slots=True)
class Charts:
    """All arrays (n,). z: standardised values. ewma: weighted mean, in sd of a value; its limit widens from the first
    value on (ewma_limit). up, down: the two sums. *_out: where each chart signals."""

    z: Floats
    ewma: Floats
    ewma_limit: Floats
    up: Floats
    down: Floats
    shewhart_out: Bools
    ewma_out: Bools
    cusum_out: Bools

    @property
    def first(self) -> dict[str, int | None]:
        """Index of the first signal of each chart."""
        given = {"shewhart": self.shewhart_out, "ewma": self.ewma_out, "cusum": self.cusum_out}
        return {name: int(np.argmax(out)) if out.any() else None for name, out in given.items()}

    def began(self, at: int) -> int:
        """Where the sum that signals at `at` last stood at nought: about where the shift began."""
        side = self.up if self.up[at] >= self.down[at] else self.down
        zeros = np.flatnonzero(side[:at] == 0.0)
        return int(zeros[-1]) + 1 if zeros.size else 0


def baseline(values: Floats) -> Baseline:
    """Mean, and sd by the mean moving range. Raises: ValueError under two values."""
    if values.size < 2:
        raise ValueError("a baseline needs two values")
    return Baseline(float(values.mean()), float(np.abs(np.diff(values)).mean()) / d2(2), values.size)


def charts(values: Floats, about: Baseline) -> Charts:
    """Raises: ValueError when the baseline has no spread."""
    if not about.sd > 0:
        raise ValueError("all values of the baseline are alike: nothing can be out of the ordinary")
    z = (values - about.mean) / about.sd
    ewma, up, down = np.empty_like(z), np.empty_like(z), np.empty_like(z)
    level = above = under = 0.0
    for i, v in enumerate(z.tolist()):
        level += EWMA_WEIGHT * (v - level)
        above, under = max(0.0, above + v - CUSUM_K), max(0.0, under - v - CUSUM_K)
        ewma[i], up[i], down[i] = level, above, under
    limit = _ewma_limit(z.size)
    return Charts(
        z=z,
        ewma=ewma,
        ewma_limit=limit,
        up=up,
        down=down,
        shewhart_out=np.abs(z) > SHEWHART_L,
        ewma_out=np.abs(ewma) > limit,
        cusum_out=(up > CUSUM_H) | (down > CUSUM_H),
    )


def by_chance(found: Charts, about: Baseline) -> float:
    """How often a steady line, as long and with as short a baseline, shows as much on any of the three charts: by
    simulation of independent normal values, always the same. It counts the error of the baseline; run lengths do not.
    """
    drawn = _steady(about.n, found.z.size)
    furthest = (
        float(np.abs(found.z).max()),
        float((np.abs(found.ewma) / found.ewma_limit).max()),
        float(max(found.up.max(), found.down.max())),
    )
    runs = len(drawn)
    order = np.sort(drawn, axis=0)
    above = [runs - int(np.searchsorted(order[:, k], furthest[k], side="left")) for k in range(3)]
    least = 1 + min(above)
    ranks = np.array([runs - np.searchsorted(order[:, k], drawn[:, k], side="left") for k in range(3)]).min(axis=0)
    return float(1 + np.count_nonzero(ranks <= least)) / (runs + 1)


@lru_cache(maxsize=64)
def _steady(first: int, n: int) -> Floats:
    """The furthest that each chart of steady lines comes, (runs, 3); the weighted mean in units of its limit."""
    runs = int(np.clip(MOST_DRAWN // n, 200, 2000))
    rng = np.random.default_rng([20261130, first, n])
    begun = rng.normal(0, 1, (runs, first))
    mean, sd = begun.mean(axis=1), np.abs(np.diff(begun, axis=1)).mean(axis=1) / d2(2)
    limit = _ewma_limit(n)
    level, up, down = np.zeros(runs), np.zeros(runs), np.zeros(runs)
    furthest: Floats = np.zeros((runs, 3))
    for i in range(n):
        z = ((begun[:, i] if i < first else rng.normal(0, 1, runs)) - mean) / sd
        level = level + EWMA_WEIGHT * (z - level)
        up, down = np.maximum(0.0, up + z - CUSUM_K), np.maximum(0.0, down - z - CUSUM_K)
        now = np.column_stack([np.abs(z), np.abs(level) / limit[i], np.maximum(up, down)])
        np.maximum(furthest, now, out=furthest)
    return furthest


def _ewma_limit(n: int) -> Floats:
    share = EWMA_WEIGHT / (2 - EWMA_WEIGHT)
    widening = 1 - (1 - EWMA_WEIGHT) ** (2.0 * np.arange(1, n + 1))
    return np.asarray(EWMA_L * np.sqrt(share * widening), np.float64)


def holm(p: Sequence[float]) -> list[float]:
    """Each p among all of them, after Holm: below a level with at most that chance of any false one. NaN, where nothing
    was tested, stays and does not count."""
    order = sorted((i for i in range(len(p)) if not isnan(p[i])), key=lambda i: p[i])
    out, least = [nan] * len(p), 0.0
    for rank, i in enumerate(order):
        least = max(least, min(1.0, (len(order) - rank) * p[i]))
        out[i] = least
    return out


def autocorrelation(values: Floats) -> float:
    """Of neighbours; NaN under three values or without spread. Beyond 2 / sqrt(n) it is more than chance may give, and
    the charts cry wolf more often than they say."""
    away = values - values.mean() if values.size else values
    total = float((away**2).sum())
    return float((away[1:] * away[:-1]).sum()) / total if values.size > 2 and total > 0 else nan


def shewhart_run_length(shift: float, limit: float = SHEWHART_L) -> float:
    """Average number of values until a signal, at a shift of the mean in sd."""
    out = normal_below(-limit - shift) + normal_below(-limit + shift)
    return 1 / out if out > 0 else inf


@lru_cache(maxsize=128)
def ewma_run_length(shift: float, weight: float = EWMA_WEIGHT, limit: float = EWMA_L) -> float:
    """The same, both sides, from nought and with the limit it has in the long run."""
    end = limit * sqrt(weight / (2 - weight))
    x, w = np.polynomial.legendre.leggauss(NODES)
    x, w = end * x, end * w
    kernel = _density((x[None, :] - (1 - weight) * x[:, None]) / weight - shift) / weight
    length = np.linalg.solve(np.eye(NODES) - kernel * w, np.ones(NODES))
    return float(1 + (w * _density(x / weight - shift) / weight * length).sum())


@lru_cache(maxsize=128)
def cusum_run_length(shift: float, k: float = CUSUM_K, h: float = CUSUM_H) -> float:
    """The same, both sides, from nought."""
    return 1 / (1 / _one_side(shift, k, h) + 1 / _one_side(-shift, k, h))


def _one_side(shift: float, k: float, h: float) -> float:
    """Unknowns: the run length from nought, then from each node inside."""
    x, w = np.polynomial.legendre.leggauss(NODES)
    x, w = 0.5 * h * (x + 1), 0.5 * h * w
    start = np.concatenate(([0.0], x))
    to_nought = np.array([normal_below(float(k - s - shift)) for s in start])
    inside = _density(x[None, :] + k - start[:, None] - shift) * w
    matrix = np.eye(NODES + 1) - np.column_stack([to_nought, inside])
    return float(np.linalg.solve(matrix, np.ones(NODES + 1))[0])


def _density(x: Floats) -> Floats:
    return np.exp(-0.5 * x * x) / sqrt(2 * pi)
