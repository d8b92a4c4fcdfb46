"""Longitudinal dynamics of a light vehicle on a level road: what motors, rolling and air do to its speed.

Source: force balance; air 1.2 kg/m3 at 20 degC; turning parts as 3 % of the mass, belt at 97 %: common practice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.science.meta_analysis import Z95, t95

GRAVITY, AIR = 9.80665, 1.2
BELT, TURNING = 0.97, 1.03
# A change of force counts from this acceleration on: a street's grade changes by less within the seconds between
# (engineering choice); between forces so many steps apart on either side of a moment. And so many changes show by
# themselves how well they agree.
JERK_MS2, APART, LEAST_CHANGES = 0.5, 2, 5
# Of the mass: how force and speed run within a step, and by how much one is told after the other, is not seen. Means of
# a second read simulated riders 2 to 3 % too heavy (tests/coverage/roads.py); engineering choice.
WITHIN_STEP = 0.02


@dataclass(frozen=True, slots=True)
class RoadVehicle:
    """newton_per_a: force at the road for one ampere of torque current in one motor, belt aside."""

    mass_kg: float
    rolling: float
    drag_area_m2: float
    newton_per_a: float

    @property
    def known(self) -> bool:
        return not math.isnan(self.mass_kg * self.drag_area_m2 * self.newton_per_a)


def motor_force(car: RoadVehicle, amps: Floats) -> Floats:
    """At the road [N], positive driving; amps: torque current of both motors together."""
    force = car.newton_per_a * amps
    return np.asarray(np.where(force > 0, force * BELT, force / BELT))


def air_force(car: RoadVehicle, speed_ms: Floats) -> Floats:
    return np.asarray(0.5 * AIR * car.drag_area_m2 * speed_ms**2)


def level_decel(car: RoadVehicle, speed_ms: Floats, amps: Floats) -> Floats:
    """Deceleration [m/s2] that motors, rolling and air explain on a level road, no other brake used."""
    resist = car.mass_kg * GRAVITY * car.rolling + air_force(car, speed_ms) - motor_force(car, amps)
    return np.asarray(resist / (car.mass_kg * TURNING))


@dataclass(frozen=True, slots=True)
class Mass:
    """Of vehicle, rider and load [kg], by the force that its torque constant makes of the current; changes: how many
    changes of force it is read from."""

    kg: float
    se: float
    changes: int


def ridden_mass(force_n: Floats, acceleration_ms2: Floats, free: Bools, usual_kg: float) -> Mass | None:
    """Force over acceleration where the force changes quickly: grade, wind and tyres do not, so that they drop out.

    force_n: motors less air, mean of each even step; acceleration_ms2: central difference of the speed's means over
    these steps; free: where no other brake may hold; usual_kg: for what counts as a change. Acceleration is fitted on
    force, since the current is known better than a difference of speeds. Means of the speed differ by what the force
    was over three steps (1/6, 2/3, 1/6: as wide as a difference of means looks). The error is by changes, each of which
    is one witness however many steps it lasts (cluster-robust: K. Liang and S. Zeger, Biometrika 73 (1986) 13). None
    where fewer than LEAST_CHANGES are seen, or where they do not agree.
    """
    size = force_n.size
    if size < 2 * APART + 3:
        return None
    smooth = np.full(size, np.nan)
    smooth[1:-1] = (force_n[:-2] + 4.0 * force_n[1:-1] + force_n[2:]) / 6.0
    x, y = (v[2 * APART :] - v[: -2 * APART] for v in (smooth, acceleration_ms2))
    width = 2 * APART + 1
    held = np.convolve(free, np.ones(width), "valid") >= width
    with np.errstate(invalid="ignore"):
        at = np.flatnonzero(held & np.isfinite(x * y) & (np.abs(x) >= JERK_MS2 * usual_kg))
    if not at.size:
        return None
    x, y = x[at], y[at]
    new = (np.diff(at) > 1) | (np.diff(np.sign(x)) != 0)
    change = np.cumsum(np.concatenate(([0], new)))
    count = int(change[-1]) + 1
    square = float(x @ x)
    per_newton = float(x @ y) / square
    if count < LEAST_CHANGES or per_newton <= 0:
        return None
    scores = np.bincount(change, x * (y - per_newton * x))
    error = t95(count - 1) / Z95 * math.sqrt(float(scores @ scores) * count / (count - 1)) / square
    kg = 1.0 / per_newton / TURNING
    return Mass(kg, kg * math.hypot(error / per_newton, WITHIN_STEP), count)
