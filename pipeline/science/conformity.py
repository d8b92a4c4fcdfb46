"""Does a quantity lie within its limits, judged by a measured value that has an error?

A measured value is taken as all that is known of the quantity (no other knowledge of it), normal about the value, or
Student's t where the error itself rests on few readings. Then the probability of conformity is what of that lies within
the limits; a guard band is how far inside of a limit a value must lie for the probability to reach what is asked for.

Source: JCGM 106:2012 (the same text as ISO/IEC Guide 98-4), sections 7 to 9, from memory; held against figures of its
examples in tests/science/test_conformity.py. t: M. Abramowitz and I. Stegun, Handbook of Mathematical Functions, 26.7.3
and 26.7.4.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import atan, cos, erfc, exp, inf, isfinite, lgamma, pi, sin, sqrt

import numpy as np

ROUNDS = 200  # halvings: more than a double has digits
NODES = np.polynomial.legendre.leggauss(64)
PIECES = 24  # of a prior's range, each with these nodes
LARGEST_DOF = 200  # from here on t is normal to four digits
REST = 1e-7  # of a production, beyond which nothing is added up


@dataclass(frozen=True, slots=True)
class Limits:
    """Both ends in; None where there is none."""

    low: float | None = None
    high: float | None = None

    @property
    def ends(self) -> tuple[float, float]:
        return (-inf if self.low is None else self.low, inf if self.high is None else self.high)


def normal_below(z: float) -> float:
    """Probability of a normal quantity under z standard deviations."""
    return 0.5 * erfc(-z / sqrt(2.0))


def student_below(t: float, dof: int) -> float:
    """Probability of Student's t with so many whole degrees of freedom, 1 or more, under t."""
    if not isfinite(t):
        return 0.0 if t < 0 else 1.0
    angle = atan(t / sqrt(dof))
    square = cos(angle) ** 2
    odd = dof % 2
    term = total = cos(angle) if odd else 1.0
    for k in range(2 + odd, dof - 1, 2):
        term *= square * (k - 1) / k
        total += term
    if dof == 1:
        inside = 2 * angle / pi
    elif odd:
        inside = 2 / pi * (angle + sin(angle) * total)
    else:
        inside = sin(angle) * total
    return 0.5 * (1.0 + inside)


def below(z: float, dof: int | None) -> float:
    return normal_below(z) if dof is None or dof >= LARGEST_DOF else student_below(z, dof)


def conforming(value: float, se: float, limits: Limits, dof: int | None = None) -> float:
    """Probability that the quantity lies within its limits. se: standard error, 0 for an exact count. dof: degrees of
    freedom behind se; None where it is well known. Raises: ValueError for a negative or unknown error."""
    if not (se >= 0 and isfinite(se) and isfinite(value)):
        raise ValueError(f"a value of {value} with an error of {se} decides nothing")
    low, high = limits.ends
    if se == 0:
        return float(low <= value <= high)
    above_low, under_high = below((value - low) / se, dof), below((high - value) / se, dof)
    return max(0.0, above_low + under_high - 1.0)


def acceptance(se: float, limits: Limits, risk: float, dof: int | None = None) -> Limits | None:
    """Between which measured values the chance of wrong acceptance is at most risk: limits less the guard band. None
    where the error is so large that no value would do. Raises: ValueError unless risk lies in (0, 0.5]."""
    if not 0 < risk <= 0.5:
        raise ValueError(f"a risk of {risk}: it lies above 0 and is at most 0.5")
    low, high = limits.ends
    if se == 0 or (low == -inf and high == inf):
        return limits
    reach = _quantile(1 - risk, dof) * se
    if low == -inf or high == inf:
        return Limits(None if low == -inf else low + reach, None if high == inf else high - reach)
    middle = 0.5 * (low + high)
    if conforming(middle, se, limits, dof) < 1 - risk:
        return None
    inner, outer = middle, high  # conforming() falls from the middle outwards
    for _ in range(ROUNDS):
        at = 0.5 * (inner + outer)
        inner, outer = (at, outer) if conforming(at, se, limits, dof) >= 1 - risk else (inner, at)
    return Limits(2 * middle - inner, inner)


def _quantile(share: float, dof: int | None) -> float:
    """How many errors above the middle this share ends. share: 0.5 or more."""
    low, high = 0.0, 1.0
    while below(high, dof) < share:
        high *= 2
    for _ in range(ROUNDS):
        at = 0.5 * (low + high)
        low, high = (at, high) if below(at, dof) < share else (low, at)
    return 0.5 * (low + high)


@dataclass(frozen=True, slots=True)
class GlobalRisk:
    """Of a unit drawn from a production: chance that it conforms; that it does not and is accepted (the buyer's risk);
    that it does and is not accepted (the maker's)."""

    conforms: float
    accepted_bad: float
    rejected_good: float


def global_risk(
    prior: Callable[[float], float], span: tuple[float, float], se: float, limits: Limits, accept: Limits
) -> GlobalRisk:
    """prior: density of the quantity over the production; span: where it lies, all but nothing of it. se: of the
    measurement, normal. accept: between which measured values a unit is accepted."""
    edges = {e for e in (*limits.ends, *accept.ends) if span[0] < e < span[1]}
    edges |= set(np.linspace(*span, PIECES + 1).tolist())
    low, high = limits.ends
    good = bad_in = good_out = 0.0
    for a, b in zip(sorted(edges), sorted(edges)[1:], strict=False):
        half, middle = 0.5 * (b - a), 0.5 * (a + b)
        for node, weight in zip(*NODES, strict=True):
            x = middle + half * float(node)
            mass = half * float(weight) * prior(x)
            taken = _between(x, se, accept)
            if low <= x <= high:
                good += mass
                good_out += mass * (1 - taken)
            else:
                bad_in += mass * taken
    return GlobalRisk(good, bad_in, good_out)


def normal_risk(mean: float, sd: float, se: float, limits: Limits, accept: Limits) -> GlobalRisk:
    """global_risk() of a production that is normal with this mean and standard deviation."""

    def density(x: float) -> float:
        return exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * sqrt(2 * pi))

    return global_risk(density, (mean - 9 * sd, mean + 9 * sd), se, limits, accept)


def sampled_risk(mean: float, sd: float, units: int, se: float, limits: Limits, accept: Limits) -> GlobalRisk:
    """global_risk() of a production of which so many units are known, 2 or more: what the next one may be is Student's
    t about their mean, wider than their own spread, so that few units do not look better than they are known."""
    dof, wide = units - 1, sd * sqrt(1 + 1 / units)
    if dof >= LARGEST_DOF:
        return normal_risk(mean, wide, se, limits, accept)
    front = exp(lgamma(0.5 * (dof + 1)) - lgamma(0.5 * dof)) / (sqrt(dof * pi) * wide)

    def density(x: float) -> float:
        return float(front * (1 + ((x - mean) / wide) ** 2 / dof) ** (-0.5 * (dof + 1)))

    reach = _quantile(1 - REST, dof) * wide
    return global_risk(density, (mean - reach, mean + reach), se, limits, accept)


def _between(x: float, se: float, accept: Limits) -> float:
    """Chance that a quantity of x is measured within these."""
    return conforming(x, se, accept)  # the same integral: value and quantity change places
