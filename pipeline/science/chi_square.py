"""Chi-square: how likely a value is, and which value is so likely, for any degrees of freedom.

Source: the incomplete gamma function by its series and its continued fraction, M. Abramowitz and I. A. Stegun, Handbook
of Mathematical Functions (1964), 6.5.29 and 6.5.31.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp, lgamma, log

ROUNDS = 2000
TINY = 1e-300


def below(x: float, dof: float) -> float:
    """Probability of a value of at most x. dof: above 0. Raises: ValueError for another one."""
    if not dof > 0:
        raise ValueError(f"{dof} degrees of freedom: there must be some")
    return _lower_gamma(0.5 * dof, 0.5 * x) if x > 0 else 0.0


@lru_cache(maxsize=1024)
def quantile(share: float, dof: float) -> float:
    """The value that is not passed with the probability `share`. Raises: ValueError unless share lies in (0, 1)."""
    if not 0 < share < 1:
        raise ValueError(f"a share of {share}: it lies between 0 and 1")
    low, high = 0.0, max(dof, 1.0)
    while below(high, dof) < share:
        low, high = high, 2 * high
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if below(middle, dof) < share else (low, middle)
    return 0.5 * (low + high)


def _lower_gamma(a: float, x: float) -> float:
    front = exp(a * log(x) - x - lgamma(a))
    if x < a + 1:
        term = total = 1.0 / a
        for k in range(1, ROUNDS):
            term *= x / (a + k)
            total += term
            if term < total * 1e-17:
                break
        return min(1.0, front * total)
    b, c = x + 1 - a, 1 / TINY
    d = 1 / b
    value = d
    for k in range(1, ROUNDS):
        step = -k * (k - a)
        b += 2
        d = 1 / _far(step * d + b)
        c = _far(b + step / c)
        value *= d * c
        if abs(d * c - 1) < 1e-16:
            break
    return max(0.0, 1.0 - front * value)


def _far(value: float) -> float:
    return value if abs(value) > TINY else TINY
