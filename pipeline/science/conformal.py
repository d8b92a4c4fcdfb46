"""Where one unit stands among others like it, without a law for their figures: ranks that are right by exchange.

The figure is taken as a plain regression on what makes units unlike (age, use, climate), fitted with the unit itself
among its peers; if it is one of them, each rank of its residual is as likely as any other, whatever the law, and
however wrong the regression. Source: V. Vovk, A. Gammerman, G. Shafer, Algorithmic Learning in a Random World (2005),
2.2 and 2.3 (full conformal prediction, least squares). Ranks are whole numbers: (1 - 0.9) * 100 is not 10 in floats.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Floats


@dataclass(frozen=True, slots=True)
class Standing:
    """n peers; lower, higher: than the unit's figure, once what makes them unlike is taken off; the rest are equal.
    p: chance that a unit that is one of them stands so far out on either side, or further. low, high: in which such a
    unit's figure lies with a chance of 90 % at least; an end is infinite where n is too small to have one."""

    n: int
    lower: int
    higher: int
    p: float
    low: float
    high: float

    @property
    def percent(self) -> float:
        """Percentile among the n and itself."""
        return 100.0 * (self.lower + 0.5 * (self.n - self.lower - self.higher) + 0.5) / (self.n + 1)


def places(n: int, part: int, of: int) -> int:
    """How many of n + 1 ranks lie in the lowest part/of of them, in whole numbers: floor((n + 1) part / of)."""
    return (n + 1) * part // of


def among(value: float, about: Floats, values: Floats, abouts: NDArray[np.float64]) -> Standing | None:
    """value, about (p,): of the unit; values (n,), abouts (n, p): of its peers. None where it has no peers: fewer than
    p + 3, or so unlike all of them that the regression would follow it alone."""
    n, p = abouts.shape
    if n < p + 3:
        return None
    x = np.vstack([abouts, about])
    spread = x.std(axis=0)
    x = np.concatenate([np.ones((n + 1, 1)), (x - x.mean(axis=0)) / np.where(spread > 0, spread, 1.0)], axis=1)
    solve = np.linalg.pinv(x)
    pull = x @ solve[:, n]  # of the unit's figure on every fitted value
    slope = 1.0 - pull[n] + pull[:n]  # of its residual less a peer's, as its figure grows
    if np.any(slope <= 1e-9):
        return None
    fitted = x @ (solve[:, :n] @ values)
    bars = (values - fitted[:n] + fitted[n]) / slope  # the unit's figure at which it equals each peer
    alike = np.isclose(bars, value, rtol=1e-9, atol=1e-12)
    lower, higher = int(np.sum((bars < value) & ~alike)), int(np.sum((bars > value) & ~alike))
    chance = min(1.0, 2.0 * (n - max(lower, higher) + 1) / (n + 1))
    k, ordered = places(n, 1, 20), np.sort(bars)
    low, high = (float(ordered[k - 1]), float(ordered[n - k])) if k else (-np.inf, np.inf)
    return Standing(n, lower, higher, chance, low, high)
