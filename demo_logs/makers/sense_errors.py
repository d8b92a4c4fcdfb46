"""What disturbs a measurement: interference of the inverter at work, single spikes, a loose measuring wire."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.design import Sensors
from demo_logs.makers.faults import RIDE
from demo_logs.makers.trace import Trace
from demo_logs.makers.vehicle import Vehicle

Floats = NDArray[np.float64]
FIXED = {  # standard deviation of one sample in the role's unit, where no design figure rules (engineering choice)
    "motor_speed": 1.5,
    "motor_current": 0.25,
    "dc_link_voltage": 0.05,
    "regen_current": 0.1,
    "vehicle_speed": 0.015,
    "charger_voltage": 0.02,
    "charger_current": 0.03,
    "link_quality": 0.8,
}


def noise_of(role: str, sensors: Sensors) -> float:
    if role == "pack_voltage":
        return 0.4 * sensors.volt_step
    if role == "pack_current":
        return sensors.amp_noise
    if role.endswith("temp"):
        return sensors.temp_noise
    return FIXED.get(role, 0.0)


class Interference:
    """In proportion to the motor current on a ride; several times more in bursts; spikes while accelerating."""

    def __init__(
        self, vehicle: Vehicle, trace: Trace, row: int, kind: str, seconds: float, rng: np.random.Generator
    ) -> None:
        self.sensors, self.trace, self.row, self.rng = vehicle.design.sensors, trace, row, rng
        self.max_a = vehicle.design.drive.max_a
        s = self.sensors
        self.on = kind == RIDE and (s.interference_v > 0 or s.bursts_h > 0 or s.spikes > 0)
        count = int(rng.poisson(s.bursts_h * seconds / 3600.0)) if self.on else 0
        self.starts = np.sort(rng.uniform(0.0, seconds, count))
        self.ends = self.starts + rng.uniform(0.3, 3.0, count)

    def _loud(self, t: Floats) -> Floats:
        """How loud it is, 0..1 and more in bursts."""
        load = np.abs(self.trace.at("motor_current", self.row, 0, t)) / self.max_a
        loud = load * (self.sensors.interference_v > 0)
        if len(self.starts):
            last = np.searchsorted(self.starts, t, side="right") - 1
            inside = (last >= 0) & (t < self.ends[np.maximum(last, 0)])
            loud = loud + 3.0 * inside * load
        return np.asarray(loud)

    def _of(self, t: Floats, peak: float, spike: float) -> Floats | float:
        if not self.on or not len(t):
            return 0.0
        loud = self._loud(t)
        value = loud * peak * self.rng.uniform(-1.0, 1.0, len(t))
        if self.sensors.spikes > 0:
            load = np.abs(self.trace.at("motor_current", self.row, 0, t)) / self.max_a
            hit = (self.rng.random(len(t)) < self.sensors.spikes) & (load > 0.4)
            value = value + hit * spike * self.rng.choice([-1.0, 1.0], len(t)) * self.rng.uniform(0.3, 1.0, len(t))
        return np.asarray(value)

    def volts(self, t: Floats) -> Floats | float:
        return self._of(t, max(self.sensors.interference_v, 0.003), 0.25)

    def amps(self, t: Floats) -> Floats | float:
        return self._of(t, max(self.sensors.interference_a, 0.1), 2.0 * self.max_a)

    def kelvin(self, t: Floats) -> Floats | float:
        return self._of(t, max(self.sensors.interference_k, 0.2), 15.0)


class LooseWire:
    """The tap above group `item` makes contact or not: what the group reads high, the next one reads low."""

    def __init__(self, item: int, size_mv: float, kind: str, seconds: float, rng: np.random.Generator) -> None:
        self.item = item
        count = int(seconds / 0.5) + 2
        self.t_s = np.concatenate([[0.0], np.cumsum(rng.exponential(0.7, count))])
        off = rng.random(len(self.t_s)) < (0.35 if kind == RIDE else 0.05)
        self.error_v = np.where(off, rng.uniform(0.5, 1.3, len(self.t_s)), 0.04) * size_mv / 1000.0

    def shift(self, group: int, t: Floats) -> Floats | float:
        if group not in (self.item, self.item + 1):
            return 0.0
        error = self.error_v[np.clip(np.searchsorted(self.t_s, t, side="right") - 1, 0, None)]
        return error if group == self.item else -error
