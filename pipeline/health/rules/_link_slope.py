"""By how much the DC link rises over the pack for each ampere of braking, from brakings of differing current.

A slope needs no current at which the two sensors are known to agree, and gentle brakings tell it as well as strong ones
where they differ enough. Within each ride, since what the sensors differ by need not stay; over the newest rides that
show it, since before it began there was none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.science.meta_analysis import Z95, t95


@dataclass(frozen=True, slots=True)
class Slope:
    """ohm, se: V per ampere; moved_v: between the weakest and the strongest braking of a ride by that slope; rows: the
    brakings behind it."""

    ohm: float
    se: float
    moved_v: float
    rows: pl.DataFrame


def link_slope(rows: pl.DataFrame, over: float) -> Slope | None:
    """rows: brakings that gave current, with link_rise_v and delivered_a, in time order. over: V per ampere by which a
    ride counts as one that shows it."""
    if not rows.height:
        return None
    amps, volts, ride = _within(rows)
    products, squares = (np.bincount(ride, v) for v in (amps * volts, amps * amps))
    since = newest_stretch(rows, (products > over * squares)[ride], 0.5).rows
    amps, volts, ride = _within(since)
    spread, free = float(amps @ amps), since.height - int(ride[-1]) - 2
    if spread <= 0.0 or free < 1:
        return None
    ohm = float(amps @ volts) / spread
    left = volts - ohm * amps
    se = float((left @ left) / free / spread) ** 0.5 * t95(free) / Z95
    return Slope(ohm, se, ohm * float(np.ptp(amps)), since)


def _within(rows: pl.DataFrame) -> tuple[Floats, Floats, np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Current and rise less their mean in each ride, and the number of the ride."""
    starts = rows["session_start_t"].to_physical().to_numpy()
    ride = np.cumsum(np.concatenate(([False], starts[1:] != starts[:-1])))
    n = np.bincount(ride)
    amps, volts = (rows[c].to_numpy() for c in ("delivered_a", "link_rise_v"))
    amps, volts = (v - (np.bincount(ride, v) / n)[ride] for v in (amps, volts))
    return amps, volts, ride
