"""What torque a motor bears for a while and for good, by its winding's temperature during the run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.drive_constants import Constants, Winding
from herdbook.pipeline.bench.dynamometer.drive_record import STEP_S, DriveRecord
from herdbook.pipeline.science.machine import RAD_S
from herdbook.pipeline.science.winding_heat import WindingHeat, winding_heat

MOST_STEPS = 2500  # of the heat model: more say no more
WHILES_S = (10.0, 60.0, 300.0, 1800.0)


@dataclass(frozen=True, slots=True)
class Bears:
    """Current and torque until the winding is at its limit. seconds: inf for good; each best, lowest, highest. tried:
    the run drove as much."""

    seconds: float
    amps: tuple[float, float, float]
    torque_nm: tuple[float, float, float]
    tried: bool
    rpm: float = 0.0


@dataclass(frozen=True, slots=True)
class DriveHeat:
    """model, step_s and its times; bears: by how long, from the temperature of the air, then for good."""

    model: WindingHeat
    t_s: Floats
    bears: tuple[Bears, ...]
    with_drag: bool


def drive_heat(record: DriveRecord, found: Constants, winding: Winding) -> DriveHeat | None:
    """None where it cannot be told; why is told."""
    if not record.has("winding", "motor_current"):
        found.told.append("What torque the motor bears is not known: record the winding's temperature and current.")
        return None
    each = max(10, -(-record.t_s.size // MOST_STEPS))
    n = record.t_s.size // each
    air = record.channels.get("ambient")
    if air is None or not np.isfinite(air).any():
        found.told.append(
            "The air's temperature was not recorded: the winding's lowest stands for it, "
            f"{np.nanmin(record.channels['winding']):.0f} °C."
        )
        air = np.full(record.t_s.size, float(np.nanmin(record.channels["winding"])))
    rpm = record.channels.get("speed", np.zeros(record.t_s.size))
    drag_w = found.drag_nm(rpm) * np.abs(rpm) * RAD_S
    parts = [record.channels["winding"], air, record.channels["motor_current"] ** 2, drag_w]
    temp, air, squared, drag = (_means(part, n, each) for part in parts)
    with_drag = found.drag is not None and bool(np.ptp(drag[np.isfinite(drag)]) > 1.0)
    try:
        whole = _longest(temp, air, squared, drag)
        model = winding_heat(temp[whole], air[whole], squared[whole], each * STEP_S, drag[whole] if with_drag else None)
    except ValueError as error:
        found.told.append(f"What torque the motor bears is not known: {error}.")
        return None
    if model.open_end:
        found.told.append("The run is short against the motor's time constant: torque for good is known badly.")
    bears = _bears(model, found, winding, record)
    times = np.asarray((np.arange(n, dtype=np.float64)[whole] + 0.5) * each * STEP_S, np.float64)
    return DriveHeat(model, times, bears, with_drag)


def _means(values: Floats, n: int, each: int) -> Floats:
    """Over so many steps; NaN where more than half are missing."""
    rows = values[: n * each].reshape(n, each)
    known = np.isfinite(rows)
    count = known.sum(axis=1)
    total = np.where(known, rows, 0.0).sum(axis=1)
    return np.asarray(np.divide(total, count, out=np.full(n, np.nan), where=count * 2 >= each))


def _longest(*parts: Floats) -> slice:
    """The longest stretch in which all are known. Raises: ValueError when nothing is."""
    ok = np.all([np.isfinite(p) for p in parts], axis=0)
    edge = np.flatnonzero(np.diff(np.concatenate(([0], ok.view(np.int8), [0]))))
    if not edge.size:
        raise ValueError("temperature and current were never recorded together")
    first, end = edge[::2], edge[1::2]
    k = int(np.argmax(end - first))
    return slice(int(first[k]), int(end[k]))


def _bears(model: WindingHeat, found: Constants, winding: Winding, record: DriveRecord) -> tuple[Bears, ...]:
    if winding.limit_c != winding.limit_c:
        found.told.append("No limit of the winding's temperature is given (limit_c under [winding], or the profile).")
        return ()
    most = float(np.nanmax(np.abs(record.channels["motor_current"])))
    out = []
    for seconds in WHILES_S:
        amps = model.interval(model.for_a(seconds, winding.limit_c, winding.air_c, winding.air_c), -0.5)
        out.append(_bear(seconds, amps, found, most))
    out.append(_bear(np.inf, model.interval(model.lasting_a(winding.limit_c, winding.air_c), -0.5), found, most))
    if found.drag is not None and any(model.other_per_w):
        rpm = found.drag.highest_rpm
        drag = float(found.drag_nm(np.array([rpm]))[0]) * rpm * RAD_S
        amps = model.interval(model.lasting_a(winding.limit_c, winding.air_c, drag), -0.5)
        out.append(_bear(np.inf, amps, found, most, rpm))
    return tuple(out)


def _bear(seconds: float, amps: tuple[float, float, float], found: Constants, most: float, rpm: float = 0.0) -> Bears:
    k, half = (
        (found.torque_nm_per_a.value, found.torque_nm_per_a.half_width)
        if found.torque_nm_per_a is not None
        else (float("nan"), 0.0)
    )
    drag = float(found.drag_nm(np.array([rpm]))[0])
    best, low, high = amps
    share = half / k if k == k and k else 0.0
    torque = (k * best - drag, k * low * (1 - share) - drag, k * high * (1 + share) - drag)
    return Bears(float(seconds), amps, torque, tried=best <= 1.05 * most, rpm=rpm)
