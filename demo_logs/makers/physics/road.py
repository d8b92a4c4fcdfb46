"""The road and the motors: what holds a vehicle back, and what power its motors take or give.

F = m g (crr cos + sin) + 1/2 rho CdA (v + wind)^2. Motor at the DC link: torque constant x torque current x speed, and
copper 1.5 R i^2 (amplitude-invariant transformation), power stage, iron.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_logs.makers.physics.rows import Floats
from demo_logs.makers.physics.thermal import copper_ohm

GRAVITY = 9.81
AIR_KG_M3 = 1.2
SPINNING = 1.04  # turning parts as a factor on the mass (engineering choice)
STILL_MS = 0.05


def drag_n(mass: Floats, rolling: Floats, drag_area: Floats, speed: Floats, grade: Floats, wind: Floats) -> Floats:
    """What holds the vehicle back [N]; at rest rolling resistance only holds, it does not push."""
    flow = speed + wind
    air = 0.5 * AIR_KG_M3 * drag_area * flow * np.abs(flow)
    slope = np.arctan(grade)
    return np.asarray(mass * GRAVITY * (rolling * np.cos(slope) * np.tanh(speed / STILL_MS) + np.sin(slope)) + air)


@dataclass(slots=True)
class Motors:
    """(vehicles, 2); a vehicle with one motor has constant 0 on the right. iq: torque current, positive drives."""

    constant: Floats
    ohm20: Floats
    stage_ohm: Floats
    stage_v: Floats
    iron_w_s: Floats
    iq: Floats

    def losses(self, omega: Floats, winding_c: Floats) -> tuple[Floats, Floats, Floats]:
        """Copper, power stage and iron [W]. Iron is lost as long as it turns, driven from the road when iq is 0."""
        square = 1.5 * self.iq * self.iq
        stage = square * self.stage_ohm + self.stage_v * np.abs(self.iq)
        return square * copper_ohm(self.ohm20, winding_c), stage, self.iron_w_s * np.abs(omega)

    def power(self, omega: Floats, copper: Floats, stage: Floats, iron: Floats) -> Floats:
        """Taken at the DC link [W]; negative feeds it. A motor without current takes nothing."""
        on = np.abs(self.iq) > 0.3
        return np.asarray(self.constant * self.iq * omega + copper + stage + np.where(on, iron, 0.0))

    def current_to_feed(self, watts: Floats, omega: Floats, winding_c: Floats) -> Floats:
        """Braking current (a magnitude) of each motor that feeds `watts` into the link, or what feeds the most."""
        ohm = 1.5 * (copper_ohm(self.ohm20, winding_c) + self.stage_ohm) + 1e-6
        drive = np.maximum(self.constant * np.abs(omega) - self.stage_v, 0.0)
        room = drive * drive - 4.0 * ohm * (watts + self.iron_w_s * np.abs(omega))
        return np.asarray((drive - np.sqrt(np.maximum(room, 0.0))) / (2.0 * ohm))

    def fed_by(self, iq: Floats, omega: Floats, winding_c: Floats) -> Floats:
        """Power (vehicles,) that braking with this current would feed [W]."""
        ohm = copper_ohm(self.ohm20, winding_c) + self.stage_ohm
        one = (self.constant * np.abs(omega) - self.stage_v) * iq - 1.5 * ohm * iq * iq - self.iron_w_s * np.abs(omega)
        return np.asarray(np.maximum(one, 0.0).sum(axis=1))


def moved(speed: Floats, mass: Floats, push_n: Floats, drag: Floats, dt: float) -> Floats:
    """Speed after dt; a vehicle does not roll backwards (its rider stands on the ground)."""
    return np.asarray(np.maximum(0.0, speed + (push_n - drag) / (mass * SPINNING) * dt))
