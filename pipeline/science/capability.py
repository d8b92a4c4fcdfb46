"""Whether a line can keep its limits: Cp and Cpk of a normal quantity, with intervals.

Cp holds the width of the limits against six standard deviations; Cpk the nearer limit's distance from the mean against
three. Both speak of what was measured: of a line that is not steady they say nothing about tomorrow.

Sources: Cp by the chi-square law of a variance; Cpk of two limits by A. F. Bissell, Applied Statistics 39 (1990) 331;
of one limit exactly, by the noncentral t. From memory, held against NIST/SEMATECH e-Handbook of Statistical Methods,
6.1.6, and simulation in tests/science/test_capability.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, lgamma, log, nan, sqrt

import numpy as np

from herdbook.pipeline.science.chi_square import quantile as chi_square
from herdbook.pipeline.science.conformity import normal_below

NODES, WEIGHTS = np.polynomial.legendre.leggauss(400)
Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Capability:
    """Of n values with their mean and standard deviation. cp: NaN with one limit alone. *_low, *_high: ends of the 95 %
    intervals. beyond: share of a normal quantity of that mean and sd that lies outside of the limits."""

    n: int
    mean: float
    sd: float
    cp: float
    cp_low: float
    cp_high: float
    cpk: float
    cpk_low: float
    cpk_high: float
    beyond: float


def capability(n: int, mean: float, sd: float, low: float | None, high: float | None) -> Capability:
    """low, high: limits, one of them at least. Raises: ValueError without limits, spread, or two values."""
    if n < 2 or not sd > 0 or (low is None and high is None) or (low is not None and high is not None and low >= high):
        raise ValueError("a capability needs two values that differ, and limits with the lower one below")
    cp = cp_low = cp_high = nan
    if low is not None and high is not None:
        cp = (high - low) / (6 * sd)
        cp_low, cp_high = (cp * sqrt(chi_square(a, n - 1) / (n - 1)) for a in (0.025, 0.975))
    room = [(high - mean) / (3 * sd)] if high is not None else []
    room += [(mean - low) / (3 * sd)] if low is not None else []
    cpk = min(room)
    if len(room) == 1:
        cpk_low, cpk_high = one_sided_ends(cpk, n, 0.025), one_sided_ends(cpk, n, 0.975)
    else:
        half = Z95 * sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
        cpk_low, cpk_high = cpk - half, cpk + half
    beyond = sum(normal_below(-3 * r) for r in room)
    return Capability(
        n=n,
        mean=mean,
        sd=sd,
        cp=cp,
        cp_low=cp_low,
        cp_high=cp_high,
        cpk=cpk,
        cpk_low=cpk_low,
        cpk_high=cpk_high,
        beyond=beyond,
    )


def one_sided_ends(cpk: float, n: int, share: float) -> float:
    """The capability to one limit at which so much as cpk, or more, is measured with the probability `share`: 0.05
    gives the exact lower end of 95 %."""
    t, root = 3 * cpk * sqrt(n), 3 * sqrt(n)
    low, high = cpk - 1.0, cpk + 1.0
    while noncentral_t_below(t, n - 1, root * low) < 1 - share:
        low -= 1.0 + abs(low)
    while noncentral_t_below(t, n - 1, root * high) > 1 - share:
        high += 1.0 + abs(high)
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if noncentral_t_below(t, n - 1, root * middle) > 1 - share else (low, middle)
    return 0.5 * (low + high)


def noncentral_t_below(t: float, dof: int, shift: float) -> float:
    """Probability that (z + shift) / s is at most t, z standard normal and s the root of a chi-square over dof."""
    centre, reach = 1.0, 9.0 / sqrt(2.0 * dof) + 9.0 / dof
    a, b = max(0.0, centre - reach), centre + reach
    s = 0.5 * (b - a) * NODES + 0.5 * (a + b)
    front = log(2.0) + 0.5 * dof * log(0.5 * dof) - lgamma(0.5 * dof)
    density = np.array([exp(front + (dof - 1) * log(v) - 0.5 * dof * v * v) for v in s])
    under = np.array([normal_below(float(t * v - shift)) for v in s])
    return float(0.5 * (b - a) * (WEIGHTS * density * under).sum())
