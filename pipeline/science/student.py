"""Student's t: how rare a value is, and which value is so rare, for any degrees of freedom.

Source: M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions (1964), 26.7.1 (by the incomplete beta
function) and 26.5.8 (its continued fraction), summed by W. J. Lentz, Appl. Opt. 15 (1976) 668.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp, inf, isinf, lgamma, log, log1p

ROUNDS = 500
TINY = 1e-300


def two_sided(t: float, dof: float) -> float:
    """Probability of a value as far from 0 as t or farther. dof: above 0. Raises: ValueError for another one."""
    if not dof > 0:
        raise ValueError(f"{dof} degrees of freedom: there must be some")
    if isinf(t):
        return 0.0
    return incomplete_beta(dof / (dof + t * t), 0.5 * dof, 0.5) if t else 1.0


@lru_cache(maxsize=1024)
def quantile(sure: float, dof: float) -> float:
    """The t that is not passed on either side with the probability `sure`: 0.95 gives the factor of a 95 % interval.
    Raises: ValueError unless sure lies in (0, 1)."""
    if not 0 < sure < 1:
        raise ValueError(f"sure is {sure}; it lies between 0 and 1")
    low, high = 0.0, 1.0
    while two_sided(high, dof) > 1 - sure:
        low, high = high, 2 * high
    for _ in range(52):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if two_sided(middle, dof) > 1 - sure else (low, middle)
    return 0.5 * (low + high)


def incomplete_beta(x: float, a: float, b: float) -> float:
    """The regularised incomplete beta function I_x(a, b). x: in [0, 1]; a, b: above 0."""
    if x <= 0 or x >= 1:
        return 0.0 if x <= 0 else 1.0
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log1p(-x))
    if x < (a + 1) / (a + b + 2):
        return front * _fraction(x, a, b) / a
    return 1 - front * _fraction(1 - x, b, a) / b


def _fraction(x: float, a: float, b: float) -> float:
    c, d = 1.0, 1 / (_far(1 - (a + b) * x / (a + 1)))
    value, before = d, inf
    for m in range(1, ROUNDS):
        for step in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1 / _far(1 + step * d)
            c = _far(1 + step / c)
            value *= c * d
        if value == before:
            break
        before = value
    return value


def _far(value: float) -> float:
    return value if abs(value) > TINY else TINY
