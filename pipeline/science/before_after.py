"""Did it help? Before and after of those who got something, less before and after of those who did not.

Each unit that got it at a date gives one difference, after less before; the mean difference of all controls around the
same date is taken off. Errors come from leaving out one unit at a time, so that the values of a unit may hang together
as they like; with one date for all it is Welch's comparison of the differences. It stands on one thing that no data can
show, that both would have gone on alike: dates at which nothing happened (placebo) show whether they did before.
Sources: O. Ashenfelter and D. Card, Rev. Econ. Stat. 67 (1985) 648; M. Bertrand, E. Duflo, S. Mullainathan, Q. J. Econ.
119 (2004) 249 (units, not values, are independent); B. L. Welch, Biometrika 34 (1947) 28.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, log1p, sqrt

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Floats, Integers
from herdbook.pipeline.science.meta_analysis import t95


@dataclass(frozen=True, slots=True)
class Effect:
    """treated, controls: units that count. change, control_change: mean differences, after less before. effect: of the
    one less the other, with its 95 % interval and p."""

    treated: int
    controls: int
    change: float
    control_change: float
    effect: float
    low: float
    high: float
    p: float


def effect(change: Floats, date: Integers, controls: NDArray[np.float64]) -> Effect | None:
    """change (n,): of each treated unit; date (n,): which row of controls is of its date. controls (dates, units):
    changes of controls around each date, NaN where a unit has no value there. None with under two of either kind."""
    share = np.bincount(date, minlength=controls.shape[0]) / max(date.size, 1)
    used = controls[share > 0]
    share = share[share > 0]
    used = used[:, np.isfinite(used).any(axis=0)] if used.size else used
    n, m = change.size, used.shape[1] if used.ndim == 2 else 0
    if n < 2 or m < 2:
        return None
    known = np.isfinite(used)
    total, count = np.where(known, used, 0.0).sum(axis=1), known.sum(axis=1)
    if np.any(count < 2):
        return None
    beside = float(share @ (total / count))
    without = (total[:, None] - np.where(known, used, 0.0)) / (count[:, None] - known)
    left_out = share @ without  # the controls' mean without each of them
    var_control = (m - 1) / m * float(np.sum((left_out - left_out.mean()) ** 2))
    var_treated = float(np.var(change, ddof=1)) / n
    found = float(change.mean()) - beside
    variance = var_treated + var_control
    if variance <= 0:
        return Effect(n, m, float(change.mean()), beside, found, found, found, 1.0 if found == 0 else 0.0)
    dof = variance**2 / (var_treated**2 / (n - 1) + var_control**2 / (m - 1))
    se = sqrt(variance)
    reach = t95(max(dof, 1.0)) * se
    return Effect(
        n, m, float(change.mean()), beside, found, found - reach, found + reach, two_sided(found / se, max(dof, 1.0))
    )


def two_sided(t: float, dof: float) -> float:
    """p of Student's t by the normal law that is nearest (D. Wallace, Ann. Math. Stat. 30 (1959) 1124)."""
    z = (8 * dof + 1) / (8 * dof + 3) * sqrt(dof * log1p(t * t / dof))
    return erfc(z / sqrt(2.0))
