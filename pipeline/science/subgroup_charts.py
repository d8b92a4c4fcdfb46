"""Charts of means and of spreads of rational subgroups: units of one hour, day or batch, taken together.

What varies within a subgroup sets the limits of the means (X-bar chart) and of the spreads (R chart of ranges, S chart
of standard deviations). So a subgroup must hold what has only chance in common: what differs between them is looked
for. Limits are three standard deviations away, a lower one of a spread never below nought; groups may differ in size,
each has limits of its own.

Sources: W. A. Shewhart, Economic Control of Quality of Manufactured Product (1931); NIST/SEMATECH e-Handbook of
Statistical Methods, 6.3.2.1; from memory, held against its table of factors in tests/science/test_subgroup_charts.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.science.normal_samples import c4, d2, d3

REACH = 3.0
MOST_R = 10  # from larger groups on a range wastes what it is given: S (common practice)
RUNS, MOST_DRAWN = 2000, 4_000_000  # runs of one simulation, and values drawn at once


@dataclass(frozen=True, slots=True)
class SubgroupCharts:
    """All arrays (groups,). mean, within: of the baseline's first groups; within: sd inside of a group. spread: "R" or
    "S". *_low, *_high: limits. *_out: beyond them."""

    mean: float
    within: float
    spread: str
    first: int
    sizes: tuple[int, ...]
    means: Floats
    mean_low: Floats
    mean_high: Floats
    spreads: Floats
    spread_centre: Floats
    spread_low: Floats
    spread_high: Floats
    mean_out: Bools
    spread_out: Bools


def spread_factors(n: int, spread: str) -> tuple[float, float]:
    """Mean and standard deviation of a range or standard deviation of n values, over their sd."""
    return (d2(n), d3(n)) if spread == "R" else (c4(n), sqrt(max(0.0, 1 - c4(n) ** 2)))


def subgroup_charts(groups: Sequence[Floats], first: int, spread: str = "") -> SubgroupCharts:
    """groups: two values each at least, in order of time; the first ones are the baseline. spread: "R", "S", or "" for
    R while no group has more than ten.

    Raises: ValueError under two groups of a baseline, for a group of one, or where nothing varies within any.
    """
    if min(first, len(groups)) < 2 or min(g.size for g in groups) < 2:
        raise ValueError("two groups of two values at least")
    sizes = tuple(g.size for g in groups)
    spread = spread or ("R" if max(sizes) <= MOST_R else "S")
    means = np.array([g.mean() for g in groups])
    spreads = np.array([np.ptp(g) if spread == "R" else g.std(ddof=1) for g in groups])
    centre, away = np.array([spread_factors(n, spread) for n in sizes]).T
    within = float((spreads / centre)[:first].mean())
    if not within > 0:
        raise ValueError("all values of each group are alike")
    weights = np.array(sizes, dtype=np.float64)
    mean = float(np.average(means[:first], weights=weights[:first]))
    reach = REACH * within / np.sqrt(weights)
    high, low = (centre + REACH * away) * within, np.maximum(0.0, centre - REACH * away) * within
    return SubgroupCharts(
        mean=mean,
        within=within,
        spread=spread,
        first=min(first, len(groups)),
        sizes=sizes,
        means=means,
        mean_low=mean - reach,
        mean_high=mean + reach,
        spreads=spreads,
        spread_centre=centre * within,
        spread_low=low,
        spread_high=high,
        mean_out=np.abs(means - mean) > reach,
        spread_out=(spreads > high) | (spreads < low),
    )


def by_chance(found: SubgroupCharts) -> float:
    """How often a steady line of groups as large, with as short a baseline, goes as far on either chart: by simulation
    of independent normal values, always the same. It counts the error of the baseline."""
    drawn = _steady(found.sizes, found.first, found.spread)
    seen = _furthest(found)
    return min(1.0, 2 * min((1 + int((drawn[:, k] >= seen[k]).sum())) / (len(drawn) + 1) for k in (0, 1)))


def _furthest(found: SubgroupCharts) -> tuple[float, float]:
    """The furthest mean and spread, in their own limits: 1 lies on one."""
    reach = found.mean_high - found.mean
    up = (found.spreads - found.spread_centre) / (found.spread_high - found.spread_centre)
    down = (found.spread_centre - found.spreads) / np.maximum(found.spread_centre - found.spread_low, 1e-300)
    down = np.where(found.spread_low > 0, down, 0.0)  # there is no limit below
    return float((np.abs(found.means - found.mean) / reach).max()), float(max(up.max(), down.max()))


@lru_cache(maxsize=32)
def _steady(sizes: tuple[int, ...], first: int, spread: str) -> Floats:
    rng = np.random.default_rng([20261130, first, len(sizes), sum(sizes)])
    total, weights = sum(sizes), np.array(sizes, dtype=np.float64)
    starts = np.concatenate(([0], np.cumsum(sizes)[:-1]))
    centre, away = np.array([spread_factors(n, spread) for n in sizes]).T
    runs = int(np.clip(MOST_DRAWN // total, 50, RUNS))
    out = []
    for _ in range(RUNS // runs):
        x = rng.normal(0, 1, (runs, total))
        means = np.add.reduceat(x, starts, axis=1) / weights
        if spread == "R":
            spreads = np.maximum.reduceat(x, starts, axis=1) - np.minimum.reduceat(x, starts, axis=1)
        else:
            squares = np.add.reduceat(x * x, starts, axis=1) - weights * means**2
            spreads = np.sqrt(np.maximum(0.0, squares) / (weights - 1))
        within = (spreads / centre)[:, :first].mean(axis=1, keepdims=True)
        mean = np.average(means[:, :first], axis=1, weights=weights[:first])[:, None]
        beyond = np.abs(means - mean) * np.sqrt(weights) / (REACH * within)
        z = (spreads / within - centre) / (REACH * away)
        room = np.minimum(centre, REACH * away) / (REACH * away)  # the lower limit is never below nought
        down = np.where(centre > REACH * away, -z / room, 0.0)
        out.append(np.column_stack([beyond.max(axis=1), np.maximum(z.max(axis=1), down.max(axis=1))]))
    return np.vstack(out)
