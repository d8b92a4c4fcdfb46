"""Speed, motor currents and commands of a ride on a grid of one second: means, so that no message is late."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.shared.heat_grid import bins_of
from herdbook.pipeline.metrics.shared.motors import motors_of
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Signals

STEP_S = 1.0


@dataclass(frozen=True, slots=True)
class Travel:
    """NaN where a second has no sample. speed m/s; amps: torque current; rpm: motor speed; brake: command in %."""

    start: int
    speed: Floats
    amps: dict[str, Floats]
    rpm: dict[str, Floats]
    brake: Floats

    @property
    def metres(self) -> Floats:
        return np.nan_to_num(np.abs(self.speed)) * STEP_S

    @property
    def acceleration(self) -> Floats:
        """Central difference, m/s2; NaN beside holes."""
        out = np.full(self.speed.shape, np.nan)
        out[1:-1] = (self.speed[2:] - self.speed[:-2]) / (2.0 * STEP_S)
        return out


def travel(session: Session, signals: Signals, profile: Profile) -> Travel:
    return signals.once(("travel", session), lambda: _travel(session, signals, profile.drive_figures.motors))


def _travel(session: Session, signals: Signals, count: float | None) -> Travel:
    n = int((session.end - session.start) / (STEP_S * 1e6))

    def grid(role: str, item: str = "") -> Floats:
        s = signals.series(role, item)
        return bins_of(signals, s, session.start, STEP_S, n).means(s.v)

    motors = motors_of(signals, count)
    return Travel(
        session.start,
        grid("vehicle_speed"),
        {motor: grid("motor_current", motor) for motor in motors},
        {motor: grid("motor_speed", motor) for motor in motors},
        grid("brake_demand"),
    )
