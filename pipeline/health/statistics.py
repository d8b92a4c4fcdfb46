"""Figures over a few values, as the rules need them: robust middles, how sure a limit is passed, shares."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.robust_fit import median


@dataclass(frozen=True, slots=True)
class Middle:
    """A robust middle of n values, with its standard error and the robust spread of one value."""

    value: float
    se: float
    spread: float
    n: int


def middle(values: pl.Series, least_se: float = 0.0) -> Middle:
    """Median of finite values. spread: 1.4826 x median absolute deviation; se: 1.2533 x spread / sqrt(n), not
    under least_se. Source: asymptotic efficiency 2/pi of the median under a normal law (standard result)."""
    v = values.to_numpy()  # null becomes NaN
    v = v[np.isfinite(v)]
    if not v.size:
        return Middle(math.nan, math.nan, math.nan, 0)
    centre = median(v)
    spread = 1.4826 * median(np.abs(v - centre))
    return Middle(centre, max(1.2533 * spread / math.sqrt(v.size), least_se), spread, int(v.size))


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
