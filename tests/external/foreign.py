"""A made-up small vehicle whose numbers are sent over buses that other people described, encoded by cantools.

Simple physics, by hand: a point mass with air and rolling resistance, a pack of groups with an open-circuit curve (that
of a shipped table), one resistance and one heat balance. Nothing of the demo's simulator is in it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cantools
import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.vehicle.chemistry import load_chemistry

Floats = NDArray[np.float64]
T0 = 1_772_352_000.0  # 2026-03-01T08:00:00Z
STEP_S = 0.1


@dataclass(frozen=True)
class Day:
    """Every quantity at 10 Hz; current positive on discharge. volts, (groups, n)."""

    t: Floats
    speed_ms: Floats
    accel: Floats
    amps: Floats
    soc: Floats
    volts: Floats
    temp_c: Floats
    wheel_n: Floats  # force of the motors at the wheels [N]


def day(
    groups: int,
    rated_ah: float,
    mass_kg: float,
    seed: int,
    r_mohm: float = 2.0,
    weak: int | None = None,
    cells: str = "lfp",
    low: int | None = None,
) -> Day:
    """Rest, forty minutes of stop and go, rest, charge until full, rest. weak: a group that holds 8 % less. low: one
    that stands 8 % of the charge lower. cells: the chemistry whose table the groups follow."""
    rng = np.random.default_rng(seed)
    ride, rest, charge = 2400, 600, 5400
    n = int((3 * rest + ride + charge) / STEP_S)
    t: Floats = np.arange(n, dtype=np.float64) * np.float64(STEP_S)
    riding = (t >= rest) & (t < rest + ride)
    wave = np.clip(9.0 * np.sin(2 * np.pi * (t - rest) / 75.0) + 3.0, 0.0, 9.0)
    speed: Floats = np.where(riding, wave, 0.0)
    accel: Floats = np.asarray(np.gradient(speed, STEP_S), np.float64)
    force = np.where(speed > 0.05, mass_kg * accel + 0.4 * speed**2 + 0.016 * mass_kg * 9.81, 0.0)
    power = force * speed
    nominal = (3.25 if cells == "lfp" else 3.7) * groups
    amps = np.where(power > 0, power / 0.85, power * 0.6) / nominal + np.where(riding, 0.5, 0.1)
    charging = (t >= 2 * rest + ride) & (t < 2 * rest + ride + charge)
    chemistry = load_chemistry(Path(__file__).parents[2] / "pipeline" / "vehicle" / "chemistries" / f"{cells}.toml")
    curve_soc, curve_v = np.array(chemistry.ocv.soc_pct) / 100.0, np.array(chemistry.ocv.middle_v)
    soc = 0.85 - np.cumsum(amps) * STEP_S / 3600.0 / rated_ah
    at = np.flatnonzero(charging)
    level = float(soc[at[0] - 1])
    for k in at.tolist():  # half an hour rate, tapering over the last tenth
        amps[k] = -0.5 * rated_ah * float(np.clip((1.0 - level) / 0.1, 0.02, 1.0)) if level < 0.999 else 0.0
        level -= amps[k] * STEP_S / 3600.0 / rated_ah
        soc[k] = level
    soc[at[-1] + 1 :] = level
    volts = np.empty((groups, n))
    for g in range(groups):
        own = soc * 1.0 if g != weak else 1.0 - (1.0 - soc) / 0.92
        own = own - 0.08 if g == low else own
        ohm = 1e-3 * r_mohm * (1 + 0.04 * rng.standard_normal())
        volts[g] = np.interp(own, curve_soc, curve_v) - amps * ohm + 0.001 * rng.standard_normal(n)
    heat = amps**2 * groups * 1e-3 * r_mohm
    temp = np.empty(n)
    temp[0], loss, capacity = 18.0, 2.0, 280.0 * rated_ah * groups / 12
    for i in range(1, n):
        temp[i] = temp[i - 1] + STEP_S * (heat[i] - loss * (temp[i - 1] - 18.0)) / capacity
    return Day(t, speed, accel, amps, soc, volts, temp, force)


Values = Callable[[Day, int], Mapping[str, float]]  # at a step: signals of one message


@dataclass(frozen=True)
class Sender:
    """One message: every so many seconds, with the values of that moment."""

    message: str
    every_s: float
    values: Values
    late_s: float = 0.0


def write_log(path: Path, database: Any, made: Day, senders: list[Sender], day_number: int) -> Path:
    """A candump log of all messages in order of time."""
    lines: list[tuple[float, str]] = []
    for sender in senders:
        message = database.get_message_by_name(sender.message)
        number = f"{message.frame_id:0{8 if message.is_extended_frame else 3}X}"
        for k in range(0, len(made.t), max(1, round(sender.every_s / STEP_S))):
            data = message.encode(sender.values(made, k), strict=False, padding=False)
            when = T0 + 86400.0 * day_number + made.t[k] + sender.late_s
            lines.append((when, f"({when:.6f}) can0 {number}#{data.hex().upper()}"))
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(line for _, line in sorted(lines)) + "\n", "ascii")
    return path


def database_of(*files: Path) -> Any:
    """All messages of several files, as cantools has them."""
    database: Any = cantools.database.can.Database(strict=False)
    for file in files:
        if file.suffix == ".kcd":
            database.add_kcd_string(file.read_text("utf-8"))
        else:
            database.add_dbc_string(file.read_text("cp1252"))
    return database
