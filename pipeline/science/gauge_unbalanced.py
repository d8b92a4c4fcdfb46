"""Repeatability and reproducibility where units were not all tested as often by everybody.

The model is that of science/gauge.py: unit, person, their interaction, the test again. The sums of squares are those of
units after persons, of persons after units, of the interaction after both, and within cells; each is set equal to what
it is on average, a sum of the variances times known traces (Henderson's method 3). Where all cells are alike these are
the mean squares of gauge.crossed(), and so is the result. The intervals draw each sum from a chi-square law of its own,
which is exact for the sum within cells and of equal cells, and an approximation for the others.

Sources: C. R. Henderson, Biometrics 9 (1953) 226; S. R. Searle, G. Casella and C. E. McCulloch, Variance Components
(1992), chapter 5; from memory, held against closed forms, least squares and simulation in
tests/science/test_gauge_unbalanced.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.gauge import KEEP, Gauge, drawn_squares, f_above, read_out

Indices = NDArray[np.intp]
MOST_CELLS = 1500  # of units by persons: beyond, the matrices are too large
TINY = 1e-9


@dataclass(frozen=True, slots=True)
class Squares:
    """Sums of squares with degrees of freedom, in the order units, persons, interaction, within cells; and how often
    each variance is in the first three: of the unit or person itself, and of the interaction."""

    sums: tuple[float, float, float, float]
    dofs: tuple[int, int, int, int]
    own: tuple[float, float]
    shared: tuple[float, float, float]


def unbalanced(values: Floats, unit: Indices, person: Indices, tolerance: float | None = None) -> Gauge:
    """values (n,), unit and person (n,): whose each is, counted from 0 without gaps. tolerance: width of the limits.

    reproducibility is NaN where no two persons tested a unit in common. Raises: ValueError without two units that one
    person tested, without any cell with two tests, or with more cells than MOST_CELLS.
    """
    found = squares_of(values, unit, person)
    if found.dofs[3] < 1 or found.dofs[0] < 1:
        raise ValueError("two units of one person and a repeated test at least")
    sums, dofs = found.sums, found.dofs
    p = nan
    if dofs[2]:
        p = f_above(sums[2] / dofs[2] / (sums[3] / dofs[3]), dofs[2], dofs[3]) if sums[3] > 0 else 0.0
        if p > KEEP:
            sums, dofs = (*sums[:2], 0.0, sums[2] + sums[3]), (*dofs[:2], 0, dofs[2] + dofs[3])
    means = tuple(s / k if k else 0.0 for s, k in zip(sums, dofs, strict=True))
    one = _variances(np.array(means)[:, None], dofs, found, tolerance)
    drawn = _variances(drawn_squares((means[0], means[1], means[2], means[3]), dofs), dofs, found, tolerance)
    return read_out(one, drawn, p, (int(unit.max()) + 1, int(person.max()) + 1, 0))


def squares_of(values: Floats, unit: Indices, person: Indices) -> Squares:
    """All by cells of unit and person: a cell's mean counts as often as it was measured."""
    cells, of_cell = np.unique(np.stack([unit, person]), axis=1, return_inverse=True)
    of_cell = of_cell.reshape(-1)
    count = np.bincount(of_cell).astype(np.float64)
    if count.size > MOST_CELLS:
        raise ValueError(f"{count.size} cells of unit and person; {MOST_CELLS} at most")
    values = values - values.mean()
    mean = np.bincount(of_cell, values) / count
    root = np.sqrt(count)
    y = root * mean
    by_unit, by_person = (root[:, None] * (of[:, None] == np.arange(of.max() + 1)) for of in cells)
    units, persons, both = (_span(x) for x in (by_unit, by_person, np.hstack([by_unit, by_person])))

    def after(more: Floats, less: Floats, x: Floats) -> float:
        return float(((more.T @ x) ** 2).sum() - ((less.T @ x) ** 2).sum())

    weights = np.diag(root)
    sums = (
        after(both, persons, y),
        after(both, units, y),
        float((y**2).sum() - ((both.T @ y) ** 2).sum()),
        float(((values - mean[of_cell]) ** 2).sum()),
    )
    rank = both.shape[1]
    dofs = (rank - persons.shape[1], rank - units.shape[1], count.size - rank, values.size - count.size)
    shared = (
        after(both, persons, weights),
        after(both, units, weights),
        float(count.sum() - ((both.T @ weights) ** 2).sum()),
    )
    clean = tuple(max(0.0, s) if k else 0.0 for s, k in zip(sums, dofs, strict=True))
    return Squares(
        sums=(clean[0], clean[1], clean[2], clean[3]),
        dofs=dofs,
        own=(after(both, persons, by_unit), after(both, units, by_person)),
        shared=shared,
    )


def _span(x: Floats) -> Floats:
    """Orthonormal columns that span those of x."""
    u, s, _ = np.linalg.svd(x, full_matrices=False)
    kept: Floats = np.ascontiguousarray(u[:, s > TINY * s.max()], dtype=np.float64)
    return kept


def _variances(
    means: Floats, dofs: tuple[int, int, int, int], found: Squares, tolerance: float | None
) -> dict[str, Floats]:
    """From mean squares (4, k); none below 0."""
    of_units, of_persons, of_both, repeats = means
    nought = np.zeros_like(repeats)
    both = dofs[2] * (of_both - repeats) / found.shared[2] if dofs[2] else nought
    interaction = np.maximum(0.0, both)

    def part(of: Floats, which: int) -> Floats:
        raw: Floats = (dofs[which] * (of - repeats) - found.shared[which] * both) / found.own[which]
        return np.asarray(np.maximum(0.0, raw), np.float64)

    between = part(of_units, 0)
    persons = part(of_persons, 1) if dofs[1] else nought
    reproducibility = persons + interaction
    gauge = repeats + reproducibility
    total = gauge + between
    nan_like = np.full_like(gauge, nan)
    return {
        "repeatability": repeats,
        "reproducibility": reproducibility if dofs[1] else nan_like,
        "interaction": interaction,
        "gauge": gauge,
        "between": between,
        "share": np.sqrt(np.divide(gauge, total, out=nan_like.copy(), where=total > 0)),
        "to_tolerance": 6 * np.sqrt(gauge) / tolerance if tolerance else nan_like,
    }
