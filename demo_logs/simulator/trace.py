"""What physics leaves behind of one session: true values on an even grid, before any sensor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Roles that jump: the last value holds until the next. All others are straight lines between grid points.
HOLD = frozenset(
    {
        "contactor_state",
        "bms_state",
        "bms_fault",
        "cell_bleed",
        "motor_fault",
        "controller_fault",
        "regen_state",
        "trigger",
        "charger_state",
        "vehicle_serial",
        "pack_serial",
        "controller_serial",
        "pack_firmware",
        "controller_firmware",
        "pack_hardware",
        "controller_hardware",
        "link_quality",
    }
)
DOUBLE = frozenset({"odometer", "controller_uptime"})  # need more digits than single precision


@dataclass(slots=True)
class Trace:
    """start_us: (vehicles,) start of the session. t_s: (n,) seconds since. data: role -> (n, vehicles, items)."""

    start_us: NDArray[np.int64]
    t_s: NDArray[np.float64]
    data: dict[str, NDArray[Any]]

    @classmethod
    def blank(cls, start_us: NDArray[np.int64], steps: int, dt: float) -> Trace:
        return cls(start_us, np.arange(steps, dtype=np.float64) * dt, {})

    def put(self, step: int, role: str, value: NDArray[np.float64] | float) -> None:
        """Store one step of a role; value (vehicles,) or (vehicles, items)."""
        array = self.data.get(role)
        if array is None:
            items = np.shape(value)[1] if np.ndim(value) == 2 else 1
            kind = np.float64 if role in DOUBLE else np.float32
            array = np.zeros((len(self.t_s), len(self.start_us), items), kind)
            self.data[role] = array
        if np.ndim(value) == 2:
            array[step] = value
        else:
            array[step, :, 0] = value
