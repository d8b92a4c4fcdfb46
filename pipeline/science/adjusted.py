"""A difference between two groups with what else is unlike about them taken off: strata and covariates together.

Errors allow every unit its own spread. Sources: J. MacKinnon and H. White, J. Econometrics 29 (1985) 305 (HC3); what a
sample would have shown: (z of 0.975 + z of 0.8) standard errors, the usual reckoning of power.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.science.before_after import two_sided
from herdbook.pipeline.science.meta_analysis import t95

EXACT = 1e-10  # of the largest: what is smaller in a square of columns is rounding
MOST = 12  # names with a column of their own, the most frequent; each takes one value off what is left to tell scatter
POWER = 2.801585  # z of 0.975 + z of 0.8


@dataclass(frozen=True, slots=True)
class AdjustedDifference:
    """Of the group less all others, with its 95 % interval and p. least: a difference that such a sample would have
    shown four times in five."""

    value: float
    low: float
    high: float
    p: float
    least: float


def difference(y: Floats, group: Bools, beside: NDArray[np.float64]) -> AdjustedDifference | None:
    """y (n,), group (n,), beside (n, k): columns of what is taken off. None where that leaves nothing of the group (it
    cannot be told from what is beside it), or fewer than three values more than columns."""
    n = y.size
    columns = np.concatenate([np.ones((n, 1)), beside], axis=1)
    g = group.astype(float)
    square = columns.T @ columns
    left = g - columns @ (np.linalg.pinv(square, rcond=EXACT, hermitian=True) @ (columns.T @ g))
    rank = int(np.linalg.matrix_rank(square, tol=EXACT * float(np.trace(square)), hermitian=True)) + 1
    if float(left @ left) < 1e-8 * n or n - rank < 3:
        return None
    x = np.concatenate([g[:, None], columns], axis=1)
    inverse = np.linalg.pinv(x.T @ x, rcond=EXACT, hermitian=True)
    beta = inverse @ (x.T @ y)
    off = y - x @ beta
    pull = np.minimum(np.einsum("ij,ij->i", x @ inverse, x), 0.999)
    se = float(np.sqrt(np.sum((x @ inverse[0] * off / (1.0 - pull)) ** 2)))
    value, dof = float(beta[0]), float(n - rank)
    if se <= 1e-12 * max(float(np.abs(y).max()), 1e-300):
        return AdjustedDifference(value, value, value, 0.0 if abs(value) > 1e-9 else 1.0, 0.0)
    reach = t95(dof) * se
    return AdjustedDifference(value, value - reach, value + reach, two_sided(value / se, dof), POWER * se)


def shift(own: Floats) -> AdjustedDifference | None:
    """The mean of units' own shifts against none; None with under three."""
    n = own.size
    if n < 3:
        return None
    value, se = float(own.mean()), float(own.std(ddof=1)) / float(np.sqrt(n))
    if se <= 0:
        return AdjustedDifference(value, value, value, 0.0 if value else 1.0, 0.0)
    reach = t95(n - 1.0) * se
    return AdjustedDifference(value, value - reach, value + reach, two_sided(value / se, n - 1.0), POWER * se)


def dummies(names: Sequence[str], least: int = 3) -> NDArray[np.float64]:
    """A column for each of the MOST frequent names that at least so many have, but the first; all others are one."""
    own = {name for name, n in sorted(Counter(names).items(), key=lambda c: (-c[1], c[0]))[:MOST] if n >= least}
    kept = [n if n in own else "\0rare" for n in names]
    levels = sorted(set(kept))[1:]
    return np.array([[float(k == level) for level in levels] for k in kept]).reshape(len(kept), len(levels))
