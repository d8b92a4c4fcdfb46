"""What a brake demand asks of the pack, in amperes, where the controller does not say it.

A lever asks for torque. How much at its end is learned from the motors' own braking current in the same ride, or
guessed from the maker's figures where they never braked; torque times speed over the pack's voltage is the current
asked.
"""

from __future__ import annotations

import math

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.metrics.shared.road_vehicle import road_vehicle
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.profile import Profile

LEAST_PCT = 15.0  # smaller demands tell little of the lever's end: engineering choice
LEAST_SAMPLES = 10
LIKELY = 0.5  # of the largest driving current a motor, where braking never showed it: engineering choice
YIELD = 0.85  # of the braking power reaches the pack: engineering choice, for both motor and stage
BEST_PCT = 80.0  # what the brake gives when it is not held back; under it most of its samples lie


def full_torque_a(demand_pct: Floats, side_a: dict[str, Floats], free: Bools, profile: Profile) -> float:
    """Torque current of all motors together at the lever's end [A]; NaN when neither ride nor profile tell.

    free: samples at speed, the demand held for long enough."""
    known = [a for a in side_a.values() if np.isfinite(a).any()]
    if not known:
        return math.nan
    total = np.nansum(known, axis=0)
    with np.errstate(invalid="ignore"):
        told = free & (demand_pct >= LEAST_PCT) & (total > 0.02 * demand_pct)
    if told.sum() >= LEAST_SAMPLES:
        return float(np.percentile(100.0 * total[told] / demand_pct[told], BEST_PCT))
    largest = profile.drive_figures.max_motor_a
    return LIKELY * len(known) * largest if largest > 0 else math.nan


def demand_a(demand_pct: Floats, speed_ms: Floats, pack_v: Floats, full_a: float, profile: Profile) -> Floats:
    """Pack current [A] that the demand asks for; NaN where speed or voltage is not known."""
    car = road_vehicle(profile)
    volts = pack_v if np.isfinite(pack_v).any() else np.full(pack_v.shape, math.nan)
    usual = median(volts[np.isfinite(volts)])
    volts = np.where(np.isfinite(volts), volts, usual)
    with np.errstate(invalid="ignore", divide="ignore"):
        watts = car.newton_per_a * full_a * demand_pct / 100.0 * np.abs(speed_ms) * YIELD
        return np.asarray(watts / volts)
