"""The vehicle profile: one TOML file that tells the rules what is what. A new vehicle is one TOML file and no Python.

    [vehicle]  name, maker, model, kind, zone = "Europe/Vienna", mass_kg (with usual rider), top_speed_kmh, drag_area_m2, rolling
    [pack]     chemistry = "LFP", cells = 12, rated_ah = 30.0, cell_min_v, cell_max_v, charge_min_c, charge_max_c, ...
    [drive]    motors = 2, motor_w = 2000, pole_pairs, gear, wheel_m, torque_nm_per_a, ...
    [limits]   "<rule id>.<limit name>" = value          # the maker's figure wins over the rule's default
    [[bus]]    channel = "can0" (a label; omit for any), dbc = "board.dbc" (relative to the profile)
    [identity] path = "(?P<vehicle>[A-Z]{2}-\\d+)"       # optional pattern on the file's path
    [roles]
    pack_voltage = "BMS_Pack.PackVoltage"
    pack_current = { signal = "BAT_Main.Current", scale = -1 }                 # sign: A positive on charge
    cell_voltage = { signal = "BMS_Cells.Cell{n:02d}_V", n = "1..12" }
    motor_temp   = { left = "MOT_L.Winding", right = "MOT_R.Winding" }
    regen_state  = { signal = "DRV_Brake.RegenState", states = { 0 = "idle", 1 = "active" } }

Units come from the DBC (or `unit = "..."` in the mapping) and are converted to the role's unit; an unknown pair is an
error at load. The profile is checked against its DBC files when loaded.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Mapping:
    """One (role, item) to one signal: value = raw * scale + offset in the role's unit, or states by raw value."""

    role: str
    item: int | str
    message: str
    signal: str
    scale: float = 1.0
    offset: float = 0.0
    states: dict[int, int] = field(default_factory=dict)  # raw value -> index into Role.states
    not_available: tuple[float, ...] = ()  # values in DBC units that mean "no value"


@dataclass(frozen=True, slots=True)
class Profile:
    """A checked profile. Tables keep their TOML keys: profile.pack["rated_ah"]; figure() reads one with a clear error."""

    name: str
    path: Path
    vehicle: dict[str, object]
    pack: dict[str, object]
    drive: dict[str, object]
    limits: dict[str, float]
    buses: tuple[tuple[str, Path], ...]  # (channel label or "", DBC file)
    identity: dict[str, str]
    roles: tuple[Mapping, ...]
    hash: str

    def figure(self, table: str, key: str) -> float:
        """One number of a table; KeyError naming profile, table and key when absent."""
        found = getattr(self, table).get(key)
        if not isinstance(found, int | float):
            raise KeyError(f"profile {self.name}: [{table}] {key} is missing or not a number")
        return float(found)
