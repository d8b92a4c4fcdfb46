"""Steady points of a run: where speed and torque had settled, what every channel read there, and with what error."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.bench.dynamometer.drive_record import STEP_S, DriveRecord
from herdbook.pipeline.bench.dynamometer.sheet import Sheet
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.science.machine import Measured, Powers, powers
from herdbook.pipeline.science.robust_fit import walking_error
from herdbook.pipeline.science.steady import settled
from herdbook.pipeline.science.stretches import Stretches

TRIM_S = 0.4
SPEED_SHARE, TORQUE_SHARE = 0.01, 0.02  # of the largest: what still counts as the same level (engineering choice)
# Standard errors of instruments that nobody stated: in the unit, and as a share of the reading (engineering choice)
USUAL = {
    "torque": (0.02, 0.005),
    "speed": (1.0, 0.001),
    "current": (0.05, 0.005),
    "voltage": (0.02, 0.002),
    "motor_current": (0.2, 0.01),
    "wheel_torque": (0.05, 0.005),
    "wheel_speed": (1.0, 0.001),
    "line_voltage": (0.05, 0.005),
}
UNIT = {"torque": "nm", "wheel_torque": "nm", "speed": "rpm", "wheel_speed": "rpm", "voltage": "v", "line_voltage": "v"}


@dataclass(frozen=True, slots=True)
class DrivePoints:
    """begin_s, end_s (n,): of each; of: by channel its mean with its standard error, NaN where it was not recorded."""

    begin_s: Floats
    end_s: Floats
    of: dict[str, Measured]

    def __len__(self) -> int:
        return int(self.begin_s.size)

    def __getitem__(self, name: str) -> Measured:
        none = np.full(len(self), np.nan)
        return self.of.get(name, Measured(none, none))

    def only(self, which: Bools) -> DrivePoints:
        of = {name: Measured(m.value[which], m.se[which]) for name, m in self.of.items()}
        return DrivePoints(self.begin_s[which], self.end_s[which], of)

    @property
    def powers(self) -> Powers:
        return powers(self["voltage"], self["current"], self["torque"], self["speed"])


@dataclass(frozen=True, slots=True)
class InstrumentErrors:
    """By channel: standard error in its unit, and as a share of the reading."""

    of: dict[str, tuple[float, float]]

    def none(self) -> InstrumentErrors:
        return InstrumentErrors(dict.fromkeys(self.of, (0.0, 0.0)))

    def at(self, name: str, value: Floats) -> Floats:
        fixed, share = self.of.get(name, (0.0, 0.0))
        return np.hypot(fixed, share * np.abs(value))


def instrument_errors(sheet: Sheet, told: list[str]) -> InstrumentErrors:
    """From [errors] of the sheet, as torque_nm and torque_pct; what is not given is assumed, and told."""
    given = sheet.table("errors")
    found, assumed = {}, []
    for name, (fixed, share) in USUAL.items():
        keys = f"{name}_{UNIT.get(name, 'a')}", f"{name}_pct"
        stated = given.has(keys[0]) | given.has(keys[1])
        if not stated:
            assumed.append(name)
        found[name] = (
            given.number(keys[0], "in its unit", 0.0, 1e4, 0.0 if stated else fixed),
            given.number(keys[1], "%", 0.0, 50.0, 0.0 if stated else 100.0 * share) / 100.0,
        )
    given.all_known()
    said = [name for name in assumed if name in ("torque", "speed", "current", "voltage")]
    if said:
        each = ", ".join(f"{n} {USUAL[n][0]:g} and {100 * USUAL[n][1]:g} %" for n in said)
        told.append(f"Errors of instruments that [errors] does not state are assumed: {each}.")
    return InstrumentErrors(found)


def drive_points(record: DriveRecord, sheet: Sheet, errors: InstrumentErrors) -> DrivePoints:
    """Raises: InputError when speed or torque was not recorded, or nothing settled."""
    for name in ("speed", "torque"):
        if not record.has(name):
            do = "Record it on the bus or in the stand's table; a map is over speed and torque"
            raise InputError(f"no {name} was recorded", sheet.path, do)
    hold_s = sheet.number("hold_s", "s", 1.0, 600.0, 3.0)
    speed, torque = record.channels["speed"], record.channels["torque"]
    levels = (
        sheet.number("settled_rpm", "rpm", 0.1, 1000.0, max(5.0, SPEED_SHARE * float(np.nanmax(np.abs(speed))))),
        sheet.number("settled_nm", "Nm", 0.001, 100.0, max(0.02, TORQUE_SHARE * float(np.nanmax(np.abs(torque))))),
    )
    found = _settled(record.channels, hold_s, levels, sheet.path)
    of = {name: _means(values, found, name, errors) for name, values in record.channels.items()}
    return DrivePoints(record.t_s[found.first], record.t_s[found.last], of)


def steady_means(
    channels: dict[str, Floats], hold_s: float, levels: tuple[float, float], errors: InstrumentErrors, path: Path
) -> dict[str, Measured]:
    """Means of steady points of a run of its own, by channel. levels: rpm and Nm within which a point holds.

    Raises: InputError when nothing settled."""
    found = _settled(channels, hold_s, levels, path)
    return {name: _means(values, found, name, errors) for name, values in channels.items()}


def _settled(channels: dict[str, Floats], hold_s: float, levels: tuple[float, float], path: Path) -> Stretches:
    window = 2 * max(1, round(0.5 * hold_s / STEP_S))
    both = np.vstack([channels["speed"], channels["torque"]])
    found = settled(both, np.array(levels), window, round(TRIM_S / STEP_S))
    if not len(found):
        what = f"nowhere did speed and torque hold for {hold_s:g} s (to {levels[0]:.0f} rpm and {levels[1]:.2f} Nm)"
        raise InputError(what, path, "Hold each point longer, or set hold_s, settled_rpm and settled_nm")
    return found


def _means(values: Floats, found: Stretches, name: str, errors: InstrumentErrors) -> Measured:
    mean, se = np.full(len(found), np.nan), np.full(len(found), np.nan)
    for k, (a, b) in enumerate(zip(found.first.tolist(), found.last.tolist(), strict=True)):
        piece = values[a : b + 1]
        piece = piece[np.isfinite(piece)]
        if piece.size:
            mean[k] = float(piece.mean())
            se[k] = walking_error(piece) if piece.size > 2 else 0.0
    return Measured(mean, np.hypot(np.nan_to_num(se), errors.at(name, mean)))
