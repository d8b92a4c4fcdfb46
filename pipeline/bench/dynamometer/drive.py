"""The drive test: maps of efficiency driving and braking, with what the run says of machine, winding and belt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.bench.dynamometer.drive_constants import Constants, Winding, constants, winding
from herdbook.pipeline.bench.dynamometer.drive_heat import DriveHeat, drive_heat
from herdbook.pipeline.bench.dynamometer.drive_points import DrivePoints, drive_points, instrument_errors
from herdbook.pipeline.bench.dynamometer.drive_record import DriveRecord, drive_record
from herdbook.pipeline.bench.dynamometer.sheet import name_of, read_sheet
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.science.heat import copper_factor
from herdbook.pipeline.science.loss_map import LossMap, loss_map
from herdbook.pipeline.science.machine import RAD_S, Measured, Powers, assigned_stray_share, powers

COLUMNS, ROWS = 36, 28  # of a map as drawn and written
VAGUE = 0.05  # standard error of an efficiency that says nothing


@dataclass(frozen=True, slots=True)
class EfficiencyMap:
    """Over speed_rpm (columns) and torque_nm (rows): efficiency 0 to 1 and half width of its 95 % interval, NaN where
    nothing was measured nearby. points: which of the test's it is made of."""

    speed_rpm: Floats
    torque_nm: Floats
    efficiency: Floats
    half_width: Floats
    losses: LossMap
    points: Bools


@dataclass(frozen=True, slots=True)
class LossPart:
    """Where the power of one point goes [W]. rest: what copper and drag leave: power stage, stray and errors."""

    rpm: float
    torque_nm: float
    input_w: float
    output_w: float
    drag_w: float
    copper_w: float

    @property
    def rest_w(self) -> float:
        return self.input_w - self.output_w - self.drag_w - self.copper_w

    @property
    def assigned_w(self) -> float:
        """The stray load loss that would be assigned."""
        return assigned_stray_share(self.input_w) * self.input_w


@dataclass(frozen=True, slots=True)
class Drive:
    """The result. driving, braking: None where there are too few points for a map; told says so."""

    name: str
    record: DriveRecord
    points: DrivePoints
    powers: Powers
    driving: EfficiencyMap | None
    braking: EfficiencyMap | None
    constants: Constants
    winding: Winding
    heat: DriveHeat | None
    parts: tuple[LossPart, ...]
    told: tuple[str, ...]

    @property
    def useful(self) -> Bools:
        """Points with an efficiency that says something."""
        return np.asarray(np.isfinite(self.powers.efficiency) & (self.powers.efficiency_se < VAGUE))

    def maps(self) -> dict[str, EfficiencyMap]:
        both = {"driving": self.driving, "braking": self.braking}
        return {name: one for name, one in both.items() if one is not None}


def drive(path: Path | str, instruments: bool = True) -> Drive:
    """The test a sheet describes. instruments: their errors count; without, only what differs between samples does, as
    when a test by the same instruments is compared. Raises: InputError when it cannot be evaluated, with the reason."""
    sheet = read_sheet(path, "drive")
    name = name_of(sheet)
    record = drive_record(sheet)
    told = list(record.told)
    errors = instrument_errors(sheet, told)
    if not instruments:
        errors = errors.none()
        told = [*record.told, CANCELLED]
    points = drive_points(record, sheet, errors)
    other_w = sheet.number("other_w", "W", 0.0, 1e4, 0.0)
    p = _powers(points, other_w)
    found = constants(points, sheet, errors)
    limit = record.profile.drive_figures.winding_max_c if record.profile is not None else None
    coil = winding(points, found, sheet, limit)
    sheet.all_known()
    heat = drive_heat(record, found, coil)
    parts = _parts(points, p, found, coil)
    if not np.isfinite(p.electrical_w).any():
        told.append("Neither current nor voltage into the drive was recorded: there is no efficiency, only torque.")
    if not np.isfinite(points["motor_current"].value).any():
        told.append("No motor current was recorded.")
    maps = [_map(points, p, found, told, braking=braking) for braking in (False, True)]
    if not parts:
        told.append(MISSING.format(what=_missing(found, coil, p)))
    return Drive(
        name=name,
        record=record,
        points=points,
        powers=p,
        driving=maps[0],
        braking=maps[1],
        constants=found,
        winding=coil,
        heat=heat,
        parts=parts,
        told=tuple(dict.fromkeys([*told, *found.told])),
    )


CANCELLED = "Errors of the instruments are left out: that both tests had the same ones is the tester's word."
MISSING = "Losses cannot be taken apart (IEC 60034-2-1): {what}."


def _missing(found: Constants, coil: Winding, p: Powers) -> str:
    lacks = []
    if found.drag is None:
        lacks.append("drag without load")
    if coil.best is None:
        lacks.append("the resistance of the winding")
    if not np.isfinite(p.electrical_w).any():
        lacks.append("the input power")
    return "missing: " + ", ".join(lacks) if lacks else "no point has current, temperature and input together"


def _powers(points: DrivePoints, other_w: float) -> Powers:
    """Without what else draws on the pack."""
    current, volts = points["current"], points["voltage"]
    with np.errstate(divide="ignore", invalid="ignore"):
        less = np.where(volts.value > 0, other_w / volts.value, 0.0)
    return powers(volts, Measured(current.value - less, current.se), points["torque"], points["speed"])


def _map(points: DrivePoints, p: Powers, found: Constants, told: list[str], *, braking: bool) -> EfficiencyMap | None:
    rpm, torque = np.abs(points["speed"].value), np.abs(points["torque"].value)
    way = p.mechanical_w < 0.0 if braking else p.mechanical_w > 0.0
    use = way & np.isfinite(p.loss_w) & ~found.driven & (rpm > 1.0)
    word = "braking" if braking else "driving"
    if not np.isfinite(p.loss_w).any() or (braking and not use.any()):
        return None
    try:
        losses = loss_map(rpm[use], torque[use], p.loss_w[use], p.loss_se[use])
    except ValueError as error:
        told.append(f"There is no map of efficiency {word}: {error}.")
        return None
    x = np.linspace(float(rpm[use].min()), float(rpm[use].max()), COLUMNS)
    y = np.linspace(float(torque[use].min()), float(torque[use].max()), ROWS)
    efficiency, half = efficiency_at(losses, *np.meshgrid(x, y), braking=braking)
    return EfficiencyMap(x, y, efficiency, half, losses, np.asarray(use))


def efficiency_at(losses: LossMap, rpm: Floats, torque: Floats, *, braking: bool) -> tuple[Floats, Floats]:
    """Efficiency and half width of its 95 % interval at places of any shape, NaN off the map."""
    loss, half = (v.reshape(rpm.shape) for v in losses.at(rpm.ravel(), torque.ravel()))
    shaft = torque * rpm * RAD_S
    with np.errstate(divide="ignore", invalid="ignore"):
        if braking:
            efficiency, reach = 1.0 - loss / shaft, half / shaft
        else:
            efficiency, reach = shaft / (shaft + loss), shaft * half / (shaft + loss) ** 2
    good = np.isfinite(efficiency) & (efficiency > 0.0) & (efficiency <= 1.0)
    return np.where(good, efficiency, np.nan), np.where(good, reach, np.nan)


def _parts(points: DrivePoints, p: Powers, found: Constants, coil: Winding) -> tuple[LossPart, ...]:
    """Losses apart at points that drive, where drag, resistance and temperature are known."""
    if found.drag is None or coil.best is None:
        return ()
    amps, temp = points["motor_current"].value, points["winding"].value
    rpm, torque = points["speed"].value, points["torque"].value
    copper = 1.5 * coil.best.value * amps**2 * copper_factor(temp)
    drag = found.drag_nm(rpm) * np.abs(rpm) * RAD_S
    use = np.isfinite(copper) & np.isfinite(p.electrical_w) & (p.mechanical_w > 0.0) & ~found.driven
    rows = zip(*(v[use].tolist() for v in (rpm, torque, p.electrical_w, p.mechanical_w, drag, copper)), strict=True)
    return tuple(LossPart(*row) for row in rows)


@dataclass(frozen=True, slots=True)
class DriveChange:
    """Second map less first, where both have one. difference, half_width (rows, columns): of the efficiency; overall:
    mean difference over the places both have, with half width; told_apart: share of places whose interval leaves out
    zero."""

    first: Drive
    second: Drive
    way: str
    speed_rpm: Floats
    torque_nm: Floats
    difference: Floats
    half_width: Floats
    overall: float
    overall_half: float
    told_apart: float


def compare_drives(first: Drive, second: Drive) -> list[DriveChange]:
    """By driving and braking. Raises: InputError when the two have no map in common."""
    for one in (first, second):
        if not one.maps():
            raise InputError(f"{one.name} has no map of efficiency to compare", "", "`herdbook stand drive` says why")
    out = []
    for way in ("driving", "braking"):
        a, b = first.maps().get(way), second.maps().get(way)
        if a is None or b is None:
            continue
        x, y = _shared(a.speed_rpm, b.speed_rpm, COLUMNS), _shared(a.torque_nm, b.torque_nm, ROWS)
        if not x.size or not y.size:
            continue
        places = np.meshgrid(x, y)
        braking = way == "braking"
        (e1, h1), (e2, h2) = (efficiency_at(m.losses, *places, braking=braking) for m in (a, b))
        difference, half = e2 - e1, np.hypot(h1, h2)
        known = np.isfinite(difference)
        if not known.any():
            continue
        # neighbouring places share points and instruments: their mean is no better known than a usual one of them
        overall, reach = float(difference[known].mean()), float(half[known].mean())
        apart = float((np.abs(difference[known]) > half[known]).mean())
        out.append(DriveChange(first, second, way, x, y, difference, half, overall, reach, apart))
    if not out:
        what = f"{first.name} and {second.name} have no place of speed and torque in common"
        raise InputError(what, "", "Drive both over the same speeds and torques")
    return out


def _shared(a: Floats, b: Floats, n: int) -> Floats:
    low, high = max(float(a[0]), float(b[0])), min(float(a[-1]), float(b[-1]))
    return np.linspace(low, high, n) if high > low else np.empty(0)


def constants_compared(first: Drive, second: Drive) -> Sequence[tuple[str, str, float, float]]:
    """Name, unit, second less first, half width, of the constants that both have."""
    pairs = (
        ("torque constant", "Nm/A", first.constants.torque_nm_per_a, second.constants.torque_nm_per_a),
        ("voltage constant", "V/krpm", first.constants.volts_per_krpm, second.constants.volts_per_krpm),
        ("resistance of a phase at 20 °C", "ohm", first.winding.best, second.winding.best),
        ("efficiency of the belt", "1", first.constants.belt, second.constants.belt),
    )
    return [
        (name, unit, b.value - a.value, float(np.hypot(a.half_width, b.half_width)))
        for name, unit, a, b in pairs
        if a is not None and b is not None
    ]
