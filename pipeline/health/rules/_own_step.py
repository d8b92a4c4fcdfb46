"""A step among a vehicle's own brakings: what it did before is a yardstick that needs no fleet and no maker.

A sign test only counts how many lie beyond a limit, and pays for every place to cut; a step far beyond what one braking
differs by from the next is certain after few.
"""

from __future__ import annotations

import math

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.change import LevelStep, upward_step


def own_step(values: Floats, least: int, least_error: float, sigmas: float) -> LevelStep | None:
    """The rise that stands out most, by `sigmas` errors at least, with `least` values on either side. One value is off
    by the middle of what two that follow one another differ by, and by least_error at least."""
    if values.size < 2 * least:
        return None
    error = max(1.4826 * float(np.median(np.abs(np.diff(values)))) / math.sqrt(2.0), least_error)
    step = upward_step(values, np.full(values.size, error), least=least)
    return step if step is not None and step.z >= sigmas else None
