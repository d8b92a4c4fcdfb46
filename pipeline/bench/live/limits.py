"""Limits that a profile's own figures set to what is shown live, by role and in the role's unit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from herdbook.pipeline.vehicle.profile import Profile

KMH = 3.6
FAULTS = ("bms_fault", "motor_fault", "controller_fault")


@dataclass(frozen=True, slots=True)
class Limit:
    """Ends included; infinite where the profile sets none."""

    low: float = -math.inf
    high: float = math.inf

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high


def limits_of(profile: Profile) -> dict[str, Limit]:
    """Only what the maker, or the chemistry that the profile names, says; nothing is taken for granted."""
    pack, drive = profile.pack_figures, profile.drive_figures
    cells, top = pack.cells, profile.vehicle_figures.top_speed_kmh
    highest = pack.pack_max_v or (cells * pack.cell_max_v if cells and pack.cell_max_v else None)
    charge = max((a for a in (pack.max_charge_a, drive.regen_max_a) if a), default=None)
    hottest = min((t for t in (pack.discharge_max_c, pack.temp_stop_c) if t is not None), default=None)
    found = {
        "cell_voltage": _limit(pack.cell_min_v, pack.cell_max_v),
        "pack_voltage": _limit(cells * pack.cell_min_v if cells and pack.cell_min_v else None, highest),
        "pack_current": _limit(-charge if charge else None, pack.max_discharge_a),
        "cell_temp": _limit(pack.discharge_min_c, hottest),
        "motor_current": _limit(-drive.max_motor_a or None, drive.max_motor_a or None),
        "motor_temp": _limit(None, drive.winding_max_c),
        "fet_temp": _limit(None, drive.fet_max_c),
        "dc_link_voltage": _limit(None, drive.dc_link_max_v),
        "regen_current": _limit(None, drive.regen_max_a),
        "charger_current": _limit(None, pack.max_charge_a),
        "vehicle_speed": _limit(None, top / KMH if top else None),
        **dict.fromkeys(FAULTS, _limit(None, 0.0)),
    }
    return {role: limit for role, limit in found.items() if limit != Limit()}


def _limit(low: float | None, high: float | None) -> Limit:
    return Limit(-math.inf if low is None else float(low), math.inf if high is None else float(high))
