"""A motor with its power stage on a stand that can drive and brake it: constants known, instruments with errors.

Its physics is written down here in a few lines and shares nothing with pipeline/science or the simulator of vehicles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
STEP = 0.02


@dataclass(frozen=True)
class Machine:
    """torque = kt i - (coulomb + viscous w) sgn(w); electrical = shaft + drag + 1.5 r i^2 (235 + T) / 255 + stage."""

    kt: float = 0.0712  # Nm/A
    coulomb: float = 0.045  # Nm
    viscous: float = 1.1e-4  # Nm s
    phase_ohm: float = 0.046  # at 20 degC
    stage_w: float = 6.0  # the power stage, whatever the current
    stage_v: float = 0.5  # and for each ampere
    heat_j_per_k: float = 260.0
    loss_w_per_k: float = 1.3
    air_c: float = 23.0


class Level(NamedTuple):
    """A set point: rpm, torque at the shaft; off: the stand turns the motor, its power stage is off."""

    seconds: float
    rpm: float
    torque: float
    off: bool = False


@dataclass(frozen=True)
class Run:
    """t [s], STEP apart, and what is true at each."""

    t: Floats
    rpm: Floats
    torque: Floats
    amps: Floats
    volts: Floats
    current: Floats
    winding_c: Floats
    line_volts: Floats  # peak between two open phases; NaN while the stage is on
    off: NDArray[np.bool_]


def drag(of: Machine, w: Floats) -> Floats:
    return of.coulomb * np.sign(w) + of.viscous * w


def electrical(of: Machine, rpm: Floats, torque: Floats, winding_c: float | Floats) -> tuple[Floats, Floats]:
    """Motor current and electrical power of a machine that gives a torque at a speed."""
    w = rpm * 2 * np.pi / 60
    amps = (torque + drag(of, w)) / of.kt
    copper = 1.5 * of.phase_ohm * (235 + winding_c) / 255 * amps**2
    return amps, torque * w + np.abs(drag(of, w) * w) + copper + of.stage_w + of.stage_v * np.abs(amps)


def run(of: Machine, levels: list[Level]) -> Run:
    """The levels one after the other, each reached within some tenths of a second."""
    rpm = _reached(np.concatenate([np.full(round(x.seconds / STEP), x.rpm) for x in levels]), 0.25)
    wanted = _reached(np.concatenate([np.full(round(x.seconds / STEP), x.torque) for x in levels]), 0.12)
    off = np.concatenate([np.full(round(x.seconds / STEP), x.off) for x in levels])
    w = rpm * 2 * np.pi / 60
    torque = np.where(off, -drag(of, w), wanted)
    winding = np.empty(rpm.size)
    now = of.air_c
    for k in range(rpm.size):
        amps = 0.0 if off[k] else (torque[k] + float(drag(of, w[k : k + 1])[0])) / of.kt
        copper = 1.5 * of.phase_ohm * (235 + now) / 255 * amps**2
        now += STEP / of.heat_j_per_k * (copper - of.loss_w_per_k * (now - of.air_c))
        winding[k] = now
    amps_all, power = electrical(of, rpm, torque, winding)
    amps_all, power = np.where(off, 0.0, amps_all), np.where(off, 2.0, power)
    current = power / 39.0
    for _ in range(20):
        current = power / (39.4 - 0.012 * current)
    line = np.where(off, of.kt / (1.5 / np.sqrt(3.0)) * np.abs(w), np.nan)
    t = np.arange(rpm.size, dtype=np.float64) * STEP
    return Run(t, rpm, torque, amps_all, 39.4 - 0.012 * current, current, winding, line, off)


def _reached(wanted: Floats, tau: float) -> Floats:
    """First-order lag."""
    out = np.empty(wanted.size)
    now = float(wanted[0])
    for k, target in enumerate(wanted.tolist()):
        now += STEP / tau * (target - now)
        out[k] = now
    return out


def usual_levels(rng: np.random.Generator, hold: float = 7.0) -> list[Level]:
    """Points driving and braking in an order of no pattern, the motor turned without current, then heat and cooling."""
    points = [(rpm, nm) for rpm in (600, 1200, 1800, 2400, 3000) for nm in (0.6, 1.4, 2.4, 3.4)]
    points += [(rpm, nm) for rpm in (900, 1500, 2100, 2700) for nm in (-0.8, -1.6, -2.4)]
    order = rng.permutation(len(points))
    levels = [Level(3.0, 0.0, 0.0, True)]
    levels += [Level(hold + float(rng.uniform(0, 2)), *points[k]) for k in order]
    levels += [Level(hold, rpm, 0.0, True) for rpm in (500, 2800, 1000, 2000, 1500, 2500)]
    return [*levels, Level(130.0, 1200, 3.6), Level(90.0, 1200, 0.5)]
