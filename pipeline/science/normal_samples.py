"""Ranges and standard deviations of small samples of a normal quantity: the constants of control charts.

d2, d3: mean and standard deviation of the range over sd; c4: mean of the sample's standard deviation over sd.

Source: L. H. C. Tippett, Biometrika 17 (1925) 364, whose integrals are computed here; c4 by the mean of a chi
distribution. d2 of several samples (often called d2*): A. J. Duncan, Quality Control and Industrial Statistics,
from memory.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp, inf, lgamma, sqrt

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.conformity import normal_below

REACH, STEPS = 8.5, 1701  # of the integrals, in sd: good to seven digits


@lru_cache(maxsize=64)
def d2(n: int) -> float:
    """Raises: ValueError under two values."""
    _some(n)
    x, below = _grid()
    return float(np.trapezoid(1 - (1 - below) ** n - below**n, x))


@lru_cache(maxsize=64)
def d3(n: int) -> float:
    _some(n)
    x, below = _grid()
    low, high = below[:, None], below[None, :]
    half = np.where(
        high > low, 1.0, np.where(high == low, 0.5, 0.0)
    )  # of the plane: where the one lies above the other
    inside = half * (1 - high**n - (1 - low) ** n + np.maximum(high - low, 0.0) ** n)
    square = 2 * float(np.trapezoid(np.trapezoid(inside, x, axis=1), x))
    return sqrt(square - d2(n) ** 2)


def d2_of(n: int, samples: int) -> float:
    """d2 for the mean range of a few samples, squared in the mean: a standard deviation from it is unbiased in its
    square. From 16 samples on d2 itself is used, as tables do."""
    return d2(n) if samples > 15 else sqrt(d2(n) ** 2 + d3(n) ** 2 / samples)


def c4(n: int) -> float:
    """Raises: ValueError under two values."""
    _some(n)
    return sqrt(2 / (n - 1)) * exp(lgamma(0.5 * n) - lgamma(0.5 * (n - 1)))


@lru_cache(maxsize=1)
def _grid() -> tuple[Floats, Floats]:
    x = np.linspace(-REACH, REACH, STEPS)
    return x, np.array([normal_below(float(v)) for v in x])


def _some(n: int) -> None:
    if n < 2:
        raise ValueError(f"a sample of {n}: a range needs two values")


def normality(values: Floats) -> float:
    """How rare values as far from a normal law are, if they came from one: p by M. A. Stephens' form of the test of
    Anderson and Darling, mean and sd from the values. NaN under eight values or without any spread.

    Source: R. B. D'Agostino and M. A. Stephens, Goodness-of-Fit Techniques (1986), table 4.9, from memory; held against
    scipy and simulation in tests/science/test_normal_samples.py.
    """
    n = values.size
    sd = float(values.std(ddof=1)) if n >= 8 else 0.0
    if not sd > 0:
        return float("nan")
    z = np.sort((values - values.mean()) / sd)
    below = np.clip([normal_below(float(v)) for v in z], 1e-300, 1 - 1e-16)
    i = np.arange(1, n + 1)
    square = -n - float(((2 * i - 1) * (np.log(below) + np.log1p(-below[::-1]))).sum()) / n
    a = square * (1 + 0.75 / n + 2.25 / n**2)
    for least, (c0, c1, c2), rest in (
        (0.6, (1.2937, -5.709, 0.0186), False),
        (0.34, (0.9177, -4.279, -1.38), False),
        (0.2, (-8.318, 42.796, -59.938), True),
        (-inf, (-13.436, 101.14, -223.73), True),
    ):
        if a > least:
            p = exp(min(0.0, c0 + c1 * a + c2 * a * a))
            return 1 - p if rest else p
    return float("nan")
