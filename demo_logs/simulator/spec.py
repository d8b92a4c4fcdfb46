"""A batch of vehicles of one profile: the maker's figures, and how each vehicle differs from them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from demo_logs.simulator.faults import Fault
from herdbook.pipeline.vehicle.profile import Profile

Floats = NDArray[np.float64]
GRAVITY = 9.81
AIR = 1.2  # kg/m3


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One invented vehicle. Everything that is not a figure of its profile is drawn from `seed`.

    resistance, capacity: factors on all groups. noise: factor on sensor noise. rider: 0 gentle .. 1 hard.
    load_kg: more (or less) than the profile's mass. charge_spread_pct: healthy differences between groups.
    """

    name: str
    profile: Profile
    seed: int
    faults: tuple[Fault, ...] = ()
    harmless: tuple[str, ...] = ()
    resistance: float = 1.0
    capacity: float = 1.0
    noise: float = 1.0
    rider: float = 0.5
    load_kg: float = 0.0
    charge_spread_pct: float = 0.12
    soc_pct: float = 85.0
    odometer_km: float = 100.0
    serial: int = 1
    pack_serial: int = 1
    controller_serial: int = 1
    pack_firmware: int = 0x0103
    controller_firmware: int = 0x0201
    boot_count: int = 10


@dataclass(frozen=True, slots=True)
class Maker:
    """The profile's figures the physics needs, as plain floats, by table."""

    pack: dict[str, float] = field(default_factory=dict)
    drive: dict[str, float] = field(default_factory=dict)
    vehicle: dict[str, float] = field(default_factory=dict)

    @property
    def groups(self) -> int:
        return int(self.pack["cells"])

    @property
    def sensors(self) -> int:
        return int(self.pack["sensors"])

    @property
    def newton_per_a(self) -> float:
        """Force at the road for one ampere of torque current in one motor, belt losses aside."""
        return self.drive["torque_nm_per_a"] * self.drive["gear"] / (self.drive["wheel_m"] / 2)

    @property
    def brake_a(self) -> float:
        """Torque current of one motor at full brake demand: sized for about 2 m/s2 with the usual mass."""
        return 2.0 * self.vehicle["mass_kg"] / (2 * self.newton_per_a)


def maker(profile: Profile) -> Maker:
    """Figures of a profile; text entries are left out."""
    tables = (profile.pack, profile.drive, profile.vehicle)
    return Maker(*({k: float(v) for k, v in t.items() if isinstance(v, int | float)} for t in tables))


def group_of_sensor(groups: int, sensors: int) -> list[list[int]]:
    """Which groups (from 0) sit beside which sensor (from 0), as the comments of the bus descriptions say."""
    if (groups, sensors) == (16, 6):
        return [[0, 1, 2], [3, 4, 5], [6, 7], [8, 9], [10, 11, 12], [13, 14, 15]]
    width = groups // sensors
    return [list(range(i * width, (i + 1) * width)) for i in range(sensors)]
