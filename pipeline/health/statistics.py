"""Figures over a few values, as the rules need them: robust middles, how sure a limit is passed, shares."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.meta_analysis import Z95, t95
from herdbook.pipeline.science.robust_fit import median

# By how much a median absolute deviation of so few values falls short: C. Croux and P. Rousseeuw, in Computational
# Statistics 1 (1992) 411; past 9 values n / (n - 0.8).
SHORT_OF = (1.0, 1.0, 1.196, 1.495, 1.363, 1.206, 1.200, 1.140, 1.129, 1.107)


@dataclass(frozen=True, slots=True)
class Middle:
    """A robust middle of n values, with its standard error and the robust spread of one value."""

    value: float
    se: float
    spread: float
    n: int


def middle(values: pl.Series, least_se: float = 0.0) -> Middle:
    """Median of finite values. spread: 1.4826 x median absolute deviation; se: 1.2533 x spread / sqrt(n), with
    Student's factor and what few values fall short of inside, so that its 1.96-fold is a 95 % interval; not under
    least_se. Source: asymptotic efficiency 2/pi of the median under a normal law (standard result)."""
    v = values.to_numpy()  # null becomes NaN
    v = v[np.isfinite(v)]
    if not v.size:
        return Middle(math.nan, math.nan, math.nan, 0)
    centre = median(v)
    spread = 1.4826 * median(np.abs(v - centre))
    if v.size == 1:
        return Middle(centre, least_se, spread, 1)
    short = SHORT_OF[v.size] if v.size < len(SHORT_OF) else v.size / (v.size - 0.8)
    se = t95(v.size - 1) / Z95 * 1.2533 * short * spread / math.sqrt(v.size)
    return Middle(centre, max(se, least_se), spread, int(v.size))


def mean(values: pl.Series) -> float:
    """Mean of the finite values; NaN when there are none."""
    v = _known(values)
    return float(v.mean()) if v.size else math.nan


def largest(values: pl.Series) -> float:
    """Largest finite value; NaN when there is none."""
    v = _known(values)
    return float(v.max()) if v.size else math.nan


def _known(values: pl.Series) -> Floats:
    v: Floats = values.cast(pl.Float64).to_numpy()
    return v[~np.isnan(v)]


def confidence(measured: float, limit: float, se: float | None) -> float:
    """Chance that the true value lies beyond the limit on the side where `measured` is: the normal law at
    |measured - limit| / se, at most 0.999 (a model is never certain)."""
    if not se or not math.isfinite(se):
        return 0.999
    return min(0.5 * (1.0 + math.erf(abs(measured - limit) / se / math.sqrt(2.0))), 0.999)


def worth_acting(value: float, se: float, *, look: float, act: float, z: float) -> bool:
    """Whether a fault is real and of a size to act on: by z errors beyond `look`, what sound ones show, and past `act`
    as nearly as it is known, within one error. These are two questions: who asks for z errors beyond `act` itself
    passes over every fault of just that size, however sure it is, since no figure is known without an error.

    The one error is an engineering choice, made with simulated worlds in view whose faults of acting size had been told
    as no more than notes. A fault of just `act` is then acted on five times in six, and one that is an error smaller
    every second time."""
    return value - look > z * se and value + se > act


def surely_passed(value: float, se: float, *, look: float, act: float, z: float) -> float:
    """The farther of the two limits that the value lies beyond by z errors; `look` where it is neither's."""
    return act if value - act > z * se else look


def at_least(events: int, trials: int) -> float:
    """Lower end of the 95 % Wilson interval of a share: what `events` of `trials` prove at least.

    Source: NIST/SEMATECH e-Handbook 7.2.4.1.
    """
    if trials <= 0:
        return 0.0
    z, p = 1.959964, events / trials
    centre = p + z * z / (2 * trials)
    half = z * math.sqrt(p * (1 - p) / trials + z * z / (4 * trials * trials))
    return max(0.0, (centre - half) / (1 + z * z / trials))
