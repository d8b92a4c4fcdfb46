"""A case of the coverage table: one estimator in one kind of world, and how it is counted."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import beta

from herdbook.pipeline.science.meta_analysis import Z95

Rng = np.random.Generator
Draw = tuple[float, float, float]  # value, stated standard error, truth


@dataclass(frozen=True, slots=True)
class Case:
    """once: draws a world and gives one or several figures with error and truth; none where nothing was stated.
    note: why a case may lie above the bar, or "". cheap: costs next to nothing. quick: of the cases of an estimator,
    the one for the default tests."""

    estimator: str
    world: str
    once: Callable[[Rng], list[Draw]]
    note: str = ""
    cheap: bool = False
    quick: bool = True

    @property
    def name(self) -> str:
        return f"{self.estimator}, {self.world}"


@dataclass(frozen=True, slots=True)
class Coverage:
    """covered: share of n worlds; a world with several figures counts once, by their mean share. bias: middle of
    (value - truth) over the stated error."""

    covered: float
    n: int
    bias: float

    def reach(self, level: float = 0.95) -> tuple[float, float]:
        """Interval of the share itself. Source: C. Clopper and E. Pearson, Biometrika 26 (1934) 404."""
        k, tail = self.covered * self.n, 0.5 * (1.0 - level)
        low = float(beta.ppf(tail, k, self.n - k + 1)) if k > 0 else 0.0
        high = float(beta.ppf(1.0 - tail, k + 1, self.n - k)) if k < self.n else 1.0
        return low, high


def cover(case: Case, runs: int, seed: int = 1) -> Coverage:
    """The same worlds for the same seed, whatever other cases there are."""
    shares, pulls = [], []
    for run in range(runs):
        rng = np.random.default_rng([seed, zlib.crc32(case.name.encode()), run])
        draws = np.array(case.once(rng), np.float64).reshape(-1, 3)
        if len(draws):
            away = draws[:, 0] - draws[:, 2]
            shares.append(float(np.mean(np.abs(away) <= Z95 * draws[:, 1])))
            pulls.append(float(np.median(away / draws[:, 1])))
    if not shares:
        return Coverage(0.0, 0, 0.0)
    return Coverage(float(np.mean(shares)), len(shares), float(np.median(pulls)))
