"""A sensor that stands still, not one step in a whole session while its siblings moved by many of theirs; or that goes
from one end of its range to the other.

A sensor that works flickers by its noise, also where it keeps its place between heat and cooling; one that
does not move at all tells nothing, and held against cooling siblings it would pass for a source of heat.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.vehicle.signals import Series

LEAST_READINGS = 12
MOVED_K, MOVED_STEPS = 1.0, 8.0  # of the siblings' middle: engineering choices, as for a frozen sensor's metric
FLIPS = 0.01  # of a session's readings at each end, beyond a spike of interference: engineering choice
STEADY_K = 3.0  # what noise and interference leave of a constant value in ten-second means (engineering choice)


def steady(v: Floats) -> bool:
    """Whether readings are one value: an open or shorted sensor gives one, a place that heats passes many."""
    return bool(v.size) and float(np.ptp(np.percentile(v, (10.0, 90.0)))) < STEADY_K


def flips(v: Floats, low: float, high: float) -> bool:
    """Whether readings lie at both ends of a sensor's range, FLIPS of them and three at each: a wire that breaks and
    touches. No place is there and there in one session."""
    known = v[np.isfinite(v)]
    least = max(FLIPS * known.size, 3.0)
    return bool(min((known <= low).sum(), (known >= high).sum()) >= least)


def resolution(s: Series) -> float:
    """Smallest difference between two of its readings; 0 when all are alike."""
    readings = np.unique(np.round(s.v[np.isfinite(s.v)], 4))
    return float(np.diff(readings).min()) if readings.size > 1 else 0.0


def frozen(own: Series, siblings: list[Series], middle: Floats) -> bool:
    """middle: the siblings' middle, bin by bin, NaN where unknown."""
    known = own.v[np.isfinite(own.v)]
    moved = middle[np.isfinite(middle)]
    if known.size < LEAST_READINGS or moved.size < 2 or float(np.ptp(known)) > 0.0:
        return False
    step = min((r for s in siblings if (r := resolution(s)) > 0), default=np.inf)
    return bool(np.ptp(moved) >= max(MOVED_K, MOVED_STEPS * step))
