"""A step in a vehicle's own history: where one level before and another after explain its values best.

Source: two-segment least squares with known errors; the errors are stretched where the values scatter by more
than they say (Birge's ratio: R. T. Birge, Phys. Rev. 40 (1932) 207).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats


@dataclass(frozen=True, slots=True)
class LevelStep:
    """first: index of the first value after the step. before, after: weighted means; rise and its standard
    error se; after_se: of the level after."""

    first: int
    before: float
    after: float
    after_se: float
    rise: float
    se: float

    @property
    def z(self) -> float:
        return self.rise / self.se


def upward_step(values: Floats, ses: Floats, least: int = 2) -> LevelStep | None:
    """The split at which a rise stands out most, `least` values on either side; None when there are too
    few, or nothing rises.

    values in order of time, ses their standard errors, above zero. Looking for the best place raises z by chance:
    among n places, a limit must be set for n trials."""
    best: LevelStep | None = None
    for k in range(least, values.size - least + 1):
        found = _at(values, ses, k)
        if found.rise > 0 and (best is None or found.z > best.z):
            best = found
    return best


def _at(values: Floats, ses: Floats, k: int) -> LevelStep:
    weight = ses**-2.0
    means, errors, misfit = [], [], 0.0
    for part in (slice(None, k), slice(k, None)):
        w, v = weight[part], values[part]
        mean = float(w @ v / w.sum())
        means.append(mean)
        errors.append(float(w.sum() ** -0.5))
        misfit += float(w @ (v - mean) ** 2)
    stretch = float(np.sqrt(max(misfit / max(values.size - 2, 1), 1.0)))
    se = stretch * math.hypot(*errors)
    return LevelStep(
        first=k, before=means[0], after=means[1], after_se=stretch * errors[1], rise=means[1] - means[0], se=se
    )
