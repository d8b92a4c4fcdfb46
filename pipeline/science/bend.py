"""Do the units of a herd bend as they age: ever faster, or slower?

Each unit gives one value, the second-degree part of its own least squares; units are independent, values within one
need not be, so Student's test is of the units. The forecasts of trajectory.py bend with the herd; this says whether it
does, and which way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt

import numpy as np

from herdbook.pipeline.science.student import two_sided
from herdbook.pipeline.science.trajectory import LEAST_DAYS, LEAST_UNITS, Series

LEAST_EACH = 4  # values of a unit: three are met by every curve of the second degree


@dataclass(frozen=True, slots=True)
class Bend:
    """units: that tell. faster: the mean change of the slope in a day, a day (above 0: upwards). p: of one so large
    where none bends on average."""

    units: int
    faster: float
    p: float


def bend(herd: Sequence[Series]) -> Bend | None:
    """None where too few units have values enough."""
    own = [_second(s) for s in herd if np.unique(s.t).size >= LEAST_EACH and s.days >= LEAST_DAYS]
    if len(own) < LEAST_UNITS:
        return None
    mean, error = float(np.mean(own)), float(np.std(own, ddof=1)) / sqrt(len(own))
    return Bend(len(own), 2 * mean, two_sided(mean / error if error else (inf if mean else 0.0), len(own) - 1.0))


def _second(s: Series) -> float:
    scaled = (s.t - s.t.mean()) / s.days
    return float(np.polyfit(scaled, s.y, 2)[0]) / s.days**2
