"""Longitudinal dynamics of a light vehicle on a level road: what motors, rolling and air do to its speed.

Source: force balance; air 1.2 kg/m3 at 20 degC; turning parts as 3 % of the mass, belt at 97 %: common practice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats

GRAVITY, AIR = 9.80665, 1.2
BELT, TURNING = 0.97, 1.03


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
