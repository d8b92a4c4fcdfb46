"""How much of what is measured is the measuring: crossed repeatability and reproducibility by analysis of variance.

Every unit is measured by every person (or bench) the same number of times. The variance of what is measured is split:
repeatability (the same person again), reproducibility (persons, and persons by unit), and the units themselves. The
interaction is left out, and its squares joined to repeatability, where it is no larger than chance may give.

Intervals are generalized confidence intervals: each mean square is divided by draws of its own chi-square law (numbers
drawn once, from a fixed start), and what follows from them is read at its quantiles.

Sources: the analysis of variance of two crossed random factors, in any textbook; for the intervals M. Hamada and S.
Weerahandi, J. Quality Technology 32 (2000) 241; both from memory, held against worked figures and simulation in
tests/science/test_gauge.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import isnan, nan, sqrt

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.normal_samples import d2_of
from herdbook.pipeline.science.student import incomplete_beta

DRAWS = 20_000
KEEP = 0.25  # the interaction is kept when it is rarer than this; common practice
CATEGORIES = (
    1.41  # sqrt(2), as tables round it: sd of units over sd of the gauge, times this, is how many can be told apart
)


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with the ends of its 95 % interval; NaN where there is none."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Gauge:
    """Variances as `Interval`; NaN where a part cannot be told.

    interaction_p: how rare so much interaction is by chance; interaction: its variance, 0 where it is left out. share:
    sd of the gauge over sd of all that is measured, 0 to 1. to_tolerance: 6 sd of the gauge over the width of the
    limits. categories: how many groups of units it tells apart. units, persons, repeats: of the study.
    """

    repeatability: Interval
    reproducibility: Interval
    interaction: float
    gauge: Interval
    between_units: Interval
    share: Interval
    to_tolerance: Interval
    categories: int
    interaction_p: float
    units: int
    persons: int
    repeats: int


def f_above(f: float, dof1: float, dof2: float) -> float:
    """Probability of a ratio of variances of f or more."""
    return incomplete_beta(dof2 / (dof2 + dof1 * f), 0.5 * dof2, 0.5 * dof1) if f > 0 else 1.0


def crossed(values: Floats, tolerance: float | None = None, sure: float = 0.95) -> Gauge:
    """values: (units, persons, repeats), two units and repeats at least, none missing. One person: repeatability alone
    stands for the gauge. tolerance: width of the limits, in the values' unit.

    Raises: ValueError for another shape or values that are not finite.
    """
    if values.ndim != 3 or values.shape[0] < 2 or values.shape[2] < 2 or not np.isfinite(values).all():
        raise ValueError(f"values of shape {values.shape}: two units and two repeats at least, none missing")
    units, persons, repeats = values.shape
    squares, dofs = mean_squares(values)
    p = nan
    if persons > 1:
        p = f_above(squares[2] / squares[3], dofs[2], dofs[3]) if squares[3] > 0 else 0.0
        if p > KEEP:
            joined = (squares[2] * dofs[2] + squares[3] * dofs[3]) / (dofs[2] + dofs[3])
            squares, dofs = (*squares[:2], joined, joined), (*dofs[:2], 0, dofs[2] + dofs[3])
    found = _variances(np.array(squares)[:, None], dofs, values.shape, tolerance)
    drawn = _variances(drawn_squares(squares, dofs), dofs, values.shape, tolerance)
    return read_out(found, drawn, p, (units, persons, repeats), sure)


def read_out(
    found: dict[str, Floats], drawn: dict[str, Floats], p: float, study: tuple[int, int, int], sure: float = 0.95
) -> Gauge:
    """found, drawn: variances and what follows from them, of the study itself (1,) and of drawn squares (DRAWS,). p: of
    the interaction. study: units, persons, repeats."""
    low, high = 50 * (1 - sure), 50 * (1 + sure)
    units, persons, repeats = study

    def interval(name: str) -> Interval:
        one = float(found[name][0])
        if isnan(one):
            return Interval(nan, nan, nan)
        return Interval(one, *(float(v) for v in np.percentile(drawn[name], (low, high))))

    gauge, between = float(found["gauge"][0]), float(found["between"][0])
    return Gauge(
        repeatability=interval("repeatability"),
        reproducibility=interval("reproducibility"),
        interaction=float(found["interaction"][0]),
        gauge=interval("gauge"),
        between_units=interval("between"),
        share=interval("share"),
        to_tolerance=interval("to_tolerance"),
        categories=int(CATEGORIES * sqrt(between / gauge)) if gauge > 0 else 0,
        interaction_p=p,
        units=units,
        persons=persons,
        repeats=repeats,
    )


def mean_squares(y: Floats) -> tuple[tuple[float, float, float, float], tuple[int, int, int, int]]:
    """Of units, persons, their interaction, and repeats; with degrees of freedom."""
    n, m, r = y.shape
    all_of_it, by_unit, by_person, by_both = y.mean(), y.mean(axis=(1, 2)), y.mean(axis=(0, 2)), y.mean(axis=2)
    rest = by_both - by_unit[:, None] - by_person[None, :] + all_of_it
    sums = (
        m * r * float(((by_unit - all_of_it) ** 2).sum()),
        n * r * float(((by_person - all_of_it) ** 2).sum()),
        r * float((rest**2).sum()),
        float(((y - by_both[:, :, None]) ** 2).sum()),
    )
    dofs = (n - 1, m - 1, (n - 1) * (m - 1), n * m * (r - 1))
    a, b, c, d = (s / k if k else 0.0 for s, k in zip(sums, dofs, strict=True))
    return (a, b, c, d), dofs


def _variances(
    squares: Floats, dofs: tuple[int, int, int, int], shape: tuple[int, ...], tolerance: float | None
) -> dict[str, Floats]:
    """From mean squares (4, k); none below 0. dofs[2] = 0 with several persons: the interaction is left out."""
    n, m, r = shape
    of_units, of_persons, of_both, of_repeats = squares
    if m == 1:
        interaction = reproducibility = np.zeros_like(of_repeats)
        between = (of_units - of_repeats) / r
    else:
        interaction = np.maximum(0.0, (of_both - of_repeats) / r) if dofs[2] else np.zeros_like(of_repeats)
        persons = np.maximum(0.0, (of_persons - of_both) / (n * r))
        reproducibility = persons + interaction
        between = (of_units - of_both) / (m * r)
    between = np.maximum(0.0, between)
    gauge = of_repeats + reproducibility
    total = gauge + between
    share = np.sqrt(np.divide(gauge, total, out=np.full_like(gauge, nan), where=total > 0))
    width = np.full_like(gauge, nan) if not tolerance else 6 * np.sqrt(gauge) / tolerance
    return {
        "repeatability": of_repeats,
        "reproducibility": reproducibility if m > 1 else np.full_like(gauge, nan),
        "interaction": interaction,
        "gauge": gauge,
        "between": between,
        "share": share,
        "to_tolerance": width,
    }


def drawn_squares(squares: tuple[float, float, float, float], dofs: tuple[int, int, int, int]) -> Floats:
    """(4, DRAWS): where the expected mean squares may lie."""
    out = [
        np.full(DRAWS, s) if k == 0 else s * k / _draws(i, k)
        for i, (s, k) in enumerate(zip(squares, dofs, strict=True))
    ]
    if dofs[2] == 0:
        out[2] = out[3]  # joined: one and the same
    return np.array(out)


@cache
def _draws(which: int, dof: int) -> Floats:
    return np.random.default_rng([20261130, which]).chisquare(dof, DRAWS)


@dataclass(frozen=True, slots=True)
class ByRanges:
    """The same by ranges of averages, an older way that a sheet of paper can do; standard deviations. share: of all
    that is measured, 0 to 1."""

    repeatability: float
    reproducibility: float
    gauge: float
    between_units: float
    total: float
    share: float


def by_ranges(values: Floats) -> ByRanges:
    """A check of crossed(): the two agree where the interaction is small. values: as there. Raises: ValueError."""
    if values.ndim != 3 or min(values.shape[0], values.shape[2]) < 2:
        raise ValueError(f"values of shape {values.shape}: two units and two repeats at least")
    n, m, r = values.shape
    ev = float(np.ptp(values, axis=2).mean()) / d2_of(r, n * m)
    av = 0.0
    if m > 1:
        apart = float(np.ptp(values.mean(axis=(0, 2)))) / d2_of(m, 1)
        av = sqrt(max(0.0, apart**2 - ev**2 / (n * r)))
    pv = float(np.ptp(values.mean(axis=(1, 2)))) / d2_of(n, 1)
    gauge = sqrt(ev**2 + av**2)
    total = sqrt(gauge**2 + pv**2)
    return ByRanges(ev, av, gauge, pv, total, gauge / total if total > 0 else nan)


def pooled_sd(squares: Floats, dofs: Floats) -> tuple[float, int]:
    """Standard deviation of repeats from sums of squares of several groups, and its degrees of freedom."""
    dof = int(dofs.sum())
    if dof < 1:
        raise ValueError("no group has two values")
    return sqrt(float(squares.sum()) / dof), dof
