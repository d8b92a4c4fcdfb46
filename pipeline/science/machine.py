"""Electric machines: constants, copper, efficiency with its error, drag without load.

Sources: IEC 60034-1 (235 for copper, rise by resistance); IEC 60034-2-1 (losses apart, assigned stray load loss), from
memory; error propagation by JCGM 100 (GUM), first order.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.meta_analysis import Z95, t95

COPPER_K = 235.0
RAD_S = 2.0 * np.pi / 60.0  # a turn a minute


def resistance_ratio(hot_c: float, cold_c: float) -> float:
    """Copper resistance at hot_c over that at cold_c."""
    return (COPPER_K + hot_c) / (COPPER_K + cold_c)


def rise_by_resistance(hot_ohm: float, cold_ohm: float, cold_c: float) -> float:
    """How much hotter a copper winding is, from its resistance [K]."""
    return (hot_ohm / cold_ohm - 1.0) * (COPPER_K + cold_c)


def volts_per_krpm(torque_nm_per_a: float) -> float:
    """Back-EMF constant of an ideal direct-current machine of this torque constant [V per 1000 turns a minute]."""
    return torque_nm_per_a * 1000.0 * RAD_S


def rpm_per_volt(torque_nm_per_a: float) -> float:
    return 1.0 / (torque_nm_per_a * RAD_S)


def sine_torque_constant(line_peak_vs: float) -> float:
    """Torque per peak ampere of a phase [Nm/A] of a sinusoidal machine. line_peak_vs: peak between two phases over
    speed [V s/rad]. From p = 1.5 E I and a line peak of sqrt(3) E."""
    return 1.5 / sqrt(3.0) * line_peak_vs


def assigned_stray_share(input_w: float) -> float:
    """Stray load loss as a share of the input, where it was not measured. Of induction machines (IEC 60034-2-1, from
    memory): 2.5 % up to 1 kW, 2.0 % at 10 kW, 1.5 % at 100 kW, straight over the logarithm."""
    return float(0.025 - 0.005 * np.log10(np.clip(input_w / 1000.0, 1.0, 10_000.0)))


@dataclass(frozen=True, slots=True)
class Powers:
    """Of points (n,), each with its standard error. efficiency: 0 to 1 driving or braking, NaN where power flows in at
    both ends; loss: electrical less mechanical power [W]."""

    electrical_w: Floats
    electrical_se: Floats
    mechanical_w: Floats
    mechanical_se: Floats
    efficiency: Floats
    efficiency_se: Floats

    @property
    def loss_w(self) -> Floats:
        return np.asarray(self.electrical_w - self.mechanical_w)

    @property
    def loss_se(self) -> Floats:
        return np.hypot(self.electrical_se, self.mechanical_se)


def powers(volts: Measured, amps: Measured, torque: Measured, rpm: Measured) -> Powers:
    """Signs: current into the drive and torque are positive driving, both negative braking."""
    electrical, mechanical = volts.value * amps.value, torque.value * rpm.value * RAD_S
    electrical_se = np.hypot(volts.value * amps.se, amps.value * volts.se)
    mechanical_se = RAD_S * np.hypot(torque.value * rpm.se, rpm.value * torque.se)
    driving = (mechanical > 0.0) & (electrical > 0.0)
    braking = (mechanical < 0.0) & (electrical < 0.0)
    out, into = np.where(driving, mechanical, electrical), np.where(driving, electrical, mechanical)
    with np.errstate(divide="ignore", invalid="ignore"):
        efficiency = np.where(driving | braking, out / into, np.nan)
        se = np.abs(efficiency) * np.hypot(electrical_se / electrical, mechanical_se / mechanical)
    return Powers(electrical, electrical_se, mechanical, mechanical_se, np.asarray(efficiency), np.asarray(se))


@dataclass(frozen=True, slots=True)
class Measured:
    """Values with their standard errors, (n,) each."""

    value: Floats
    se: Floats

    def only(self, which: Floats) -> Measured:
        return Measured(self.value[which], self.se[which])


@dataclass(frozen=True, slots=True)
class LinearFit:
    """y = sum of coefficient x column. half_width: of 95 % intervals, from what is left over, or from the values' own
    errors where these are larger. left_over: root mean square."""

    value: Floats
    half_width: Floats
    left_over: float
    n: int


def linear(columns: Floats, y: Measured) -> LinearFit:
    """Weighted by the values' own errors. columns (n, k). Raises: ValueError when points are fewer than k + 1, or do
    not tell the columns apart."""
    n, k = columns.shape
    if n < k + 1:
        raise ValueError(f"{n} point{'s' * (n != 1)}, and {k + 1} are needed")
    weight = 1.0 / np.maximum(y.se, 1e-12)
    a, b = columns * weight[:, None], y.value * weight
    scale = np.sqrt((a**2).sum(axis=0))
    if not (scale > 0).all() or np.linalg.cond(a / scale) > 1e4:
        raise ValueError("the points do not tell the parts from each other")
    inverse = np.linalg.inv(a.T @ a)
    found = inverse @ (a.T @ b)
    residual = b - a @ found
    misfit = float(residual @ residual) / (n - k)
    half = t95(n - k) * np.sqrt(np.diag(inverse) * misfit) if misfit > 1.0 else Z95 * np.sqrt(np.diag(inverse))
    left = y.value - columns @ found
    return LinearFit(found, np.asarray(half), float(np.sqrt(left @ left / n)), n)


@dataclass(frozen=True, slots=True)
class DragCurve:
    """Torque that turning takes without load, T0 = steady_nm + per_rad x w + per_rad2 x w^2, w in rad/s; halves: half
    widths of the 95 % intervals. What does not depend on speed is Coulomb friction and hysteresis, what grows with it
    is viscous friction and eddy currents: no drag curve tells these from each other; a rotor without magnets does."""

    value: Floats
    halves: Floats
    lowest_rpm: float
    highest_rpm: float
    n: int

    def at(self, rpm: Floats) -> Floats:
        """Torque [Nm], positive, at each speed."""
        w = np.abs(rpm) * RAD_S
        return np.asarray(sum(c * w**k for k, c in enumerate(self.value)))


def drag_curve(rpm: Floats, torque: Measured) -> DragCurve:
    """Of three speeds or more; with the square of speed from six on, where it shows. torque: positive.

    Raises: ValueError."""
    if np.unique(np.round(rpm / 20.0)).size < 3:
        raise ValueError("three different speeds are needed")
    w = np.abs(rpm) * RAD_S
    fit = linear(np.column_stack([w**0, w]), torque)
    if np.unique(np.round(rpm / 20.0)).size >= 6:
        bent = linear(np.column_stack([w**0, w, w**2]), torque)
        if abs(bent.value[2]) > bent.half_width[2]:
            fit = bent
    value, half = (np.append(c, [0.0] * (3 - c.size)) for c in (fit.value, fit.half_width))
    return DragCurve(value, half, float(np.abs(rpm).min()), float(np.abs(rpm).max()), rpm.size)
