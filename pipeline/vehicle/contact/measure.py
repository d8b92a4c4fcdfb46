"""What checks measure with: the ratio of two quantities, a share of moments, the slope of one step on another."""

from __future__ import annotations

from math import sqrt

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.science.robust_fit import median, robust_sd
from herdbook.pipeline.vehicle.contact.check import Look

LEAST_MOMENTS = 20
ALIKE = 10.0  # neighbouring moments are alike: so many count as one (engineering choice, on the safe side)
SHARE_ERROR = 3.0


def ratio(y: Floats, x: Floats, where: Bools, low: float, high: float, item: str = "") -> list[Look]:
    """Middle of y / x at these moments, which must lie in low..high; no look when there are too few."""
    good = where & ~np.isnan(y) & ~np.isnan(x) & (x != 0)
    n = int(good.sum())
    if n < LEAST_MOMENTS:
        return []
    r = y[good] / x[good]
    middle = median(r)
    return [Look(item, middle, low, high, 3 * 1.2533 * robust_sd(r) / max(1.0, n / ALIKE) ** 0.5, n)]


def share(hit: Bools, where: Bools, low: float, high: float, item: str = "") -> list[Look]:
    """Share 0..1 of these moments at which `hit` holds."""
    n = int(where.sum())
    if n < LEAST_MOMENTS:
        return []
    p = float((hit & where).sum()) / n
    return [Look(item, p, low, high, SHARE_ERROR * (0.25 / max(1.0, n / ALIKE)) ** 0.5 * _narrow(p), n)]


def _narrow(p: float) -> float:
    """Standard error of a share over that of one half; a share of 0 or 1 of few moments is not sure either."""
    return max(0.2, 2 * sqrt(p * (1 - p)))


def slope(x: Floats, y: Floats, low: float, high: float, item: str = "", scale: float = 1.0) -> list[Look]:
    """Slope of y on x through the origin, times scale; x, y: steps (n,) without NaN.

    The error is that of the slope, robust against unequal scatter (White 1980), three times."""
    if x.size < LEAST_MOMENTS:
        return []
    sxx = float(x @ x)
    if not sxx > 0 or not np.any(y):  # nothing moved
        return []
    b = float(x @ y) / sxx
    residual = y - b * x
    se = float(np.sqrt(((x * residual) ** 2).sum())) / sxx
    return [Look(item, scale * b, low, high, 3 * abs(scale) * se, x.size)]


def total(rate: Floats, tick_s: float, where: Bools) -> Floats:
    """Integral over the ticks from the first on, in rate x s; a tick that is not known adds nothing."""
    return np.asarray(np.cumsum(np.where(where & ~np.isnan(rate), rate, 0.0)) * tick_s)
