"""What steady points say of the machine itself: torque and voltage constants, resistance, drag without load, belt.

Each is found where the run allows it; where it does not, what is missing is said.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.bench.dynamometer.drive_points import DrivePoints, InstrumentErrors, steady_means
from herdbook.pipeline.bench.dynamometer.drive_record import gridded
from herdbook.pipeline.bench.dynamometer.sheet import Sheet
from herdbook.pipeline.bench.dynamometer.table import read_table
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.science.heat import copper_factor
from herdbook.pipeline.science.machine import (
    RAD_S,
    DragCurve,
    LinearFit,
    Measured,
    drag_curve,
    linear,
    resistance_ratio,
    rise_by_resistance,
)
from herdbook.pipeline.science.meta_analysis import Z95, t95

NO_CURRENT_A, NO_CURRENT_SHARE = 0.5, 0.015  # of the largest: a motor that is only turned (engineering choice)
NO_TORQUE_SHARE = 0.02
STANDING_RPM = 20.0  # slower, a shaft sticks rather than slides
BARE_HOLD_S = 3.0
SATURATED = 0.03  # a torque constant that falls by more with the current is told


@dataclass(frozen=True, slots=True)
class Known:
    """A figure with the half width of its 95 % interval."""

    value: float
    half_width: float


@dataclass(frozen=True, slots=True)
class Winding:
    """Of one phase at 20 degC [ohm], by a meter at the terminals and from the losses under load; each None where it is
    not known. rise_k: by resistance, after the run; limit_c, air_c: for what the motor bears."""

    metered: Known | None
    loaded: Known | None
    rise_k: float
    limit_c: float
    air_c: float

    @property
    def best(self) -> Known | None:
        return self.metered or self.loaded


@dataclass
class Constants:
    """drag: without load, and how it was found; bare: the same with a rotor without magnets. told: what is missing."""

    torque_nm_per_a: Known | None = None
    torque_fit: LinearFit | None = None
    volts_per_krpm: Known | None = None
    drag: DragCurve | None = None
    drag_how: str = ""
    bare: DragCurve | None = None
    belt: Known | None = None
    slip: Known | None = None
    driven: Bools = field(default_factory=lambda: np.zeros(0, np.bool_))
    told: list[str] = field(default_factory=list)

    def drag_nm(self, rpm: Floats) -> Floats:
        """Torque without load at each speed, 0 where it is not known."""
        return self.drag.at(rpm) if self.drag is not None else np.zeros(rpm.shape)


def constants(points: DrivePoints, sheet: Sheet, errors: InstrumentErrors) -> Constants:
    found = Constants()
    amps, torque, rpm = (points[name].value for name in ("motor_current", "torque", "speed"))
    found.driven = _only_turned(points)
    _drag_by_turning(found, points)
    _torque_constant(found, points, errors)
    if found.drag is None:
        _drag_by_running_free(found, points)
    if found.drag is None:
        found.told.append(
            "Drag without load is not known: turn the motor by the stand without current, or let it run free, at three "
            "speeds or more."
        )
    _bare_rotor(found, sheet, errors)
    _volts(found, points)
    _belt(found, points, sheet, errors)
    if found.torque_nm_per_a is not None and np.isfinite(amps).any():
        _saturation(found, amps, torque + np.sign(rpm) * found.drag_nm(rpm), points["torque"].se)
    return found


def _only_turned(points: DrivePoints) -> Bools:
    """Points at which the stand turns the motor and the drive is off."""
    amps, current = points["motor_current"].value, points["current"].value
    turned = points["torque"].value * points["speed"].value < 0.0
    turned &= np.abs(points["speed"].value) > STANDING_RPM
    if np.isfinite(amps).any():
        most = max(NO_CURRENT_A, NO_CURRENT_SHARE * float(np.nanmax(np.abs(amps))))
        return np.asarray(turned & (np.abs(amps) <= most))
    if np.isfinite(current).any():
        most = max(0.1, 0.01 * float(np.nanmax(np.abs(current))))
        return np.asarray(turned & (np.abs(current) <= most))
    return np.asarray(turned & ~np.isfinite(current))


def _drag_by_turning(found: Constants, points: DrivePoints) -> None:
    which = found.driven
    if which.sum() < 3:
        return
    try:
        torque = points["torque"]
        found.drag = drag_curve(points["speed"].value[which], Measured(np.abs(torque.value[which]), torque.se[which]))
        found.drag_how = "turned by the stand without current"
    except ValueError as error:
        found.told.append(f"The points without current give no drag: {error}.")


def _torque_constant(found: Constants, points: DrivePoints, errors: InstrumentErrors) -> None:
    amps, torque, rpm = (points[name].value for name in ("motor_current", "torque", "speed"))
    use = np.isfinite(amps) & ~found.driven & (np.abs(rpm) > STANDING_RPM)
    if use.sum() < 4:
        found.told.append("The torque constant is not known: no motor current was recorded, or at too few points.")
        return
    turned = np.sign(rpm[use])
    y = Measured(torque[use] + turned * found.drag_nm(rpm)[use], points["torque"].se[use])
    columns = amps[use][:, None] if found.drag is not None else np.column_stack([amps[use], -turned])
    try:
        fit = linear(columns, y)
    except ValueError as error:
        found.told.append(f"The torque constant is not known: {error}.")
        return
    value = float(fit.value[0])
    gain = Z95 * value * float(np.hypot(errors.of["torque"][1], errors.of["motor_current"][1]))
    found.torque_nm_per_a = Known(value, float(np.hypot(fit.half_width[0], gain)))
    found.torque_fit = fit


def _drag_by_running_free(found: Constants, points: DrivePoints) -> None:
    """A motor that drives nothing: all its torque is drag, and its current says how much that is."""
    if found.torque_nm_per_a is None:
        return
    torque, amps, rpm = (points[name] for name in ("torque", "motor_current", "speed"))
    small = NO_TORQUE_SHARE * float(np.nanmax(np.abs(torque.value)))
    free = (np.abs(torque.value) <= np.maximum(3.0 * torque.se, small)) & (np.abs(rpm.value) > STANDING_RPM)
    free &= amps.value * rpm.value > 0.0
    if free.sum() < 3:
        return
    k = found.torque_nm_per_a.value
    drag = np.abs(k * amps.value[free]) - np.abs(torque.value[free])
    try:
        found.drag = drag_curve(rpm.value[free], Measured(drag, np.hypot(k * amps.se[free], torque.se[free])))
        found.drag_how = "running free, from its current and the torque constant"
    except ValueError as error:
        found.told.append(f"The points that run free give no drag: {error}.")


def _bare_rotor(found: Constants, sheet: Sheet, errors: InstrumentErrors) -> None:
    path = sheet.file("bare_table")
    if path is None:
        if found.drag is not None:
            found.told.append(
                "Iron losses cannot be told from friction by drag alone: drag of a rotor without magnets (bare_table) "
                "would tell."
            )
        return
    channels = read_table(path).channels
    if not {"speed", "torque"} <= set(channels):
        raise InputError("needs columns speed and torque", path, "Export both, with their units")
    _, even = gridded({k: channels[k] for k in ("speed", "torque")}, path)
    means = steady_means(even, BARE_HOLD_S, (5.0, 0.02), errors, path)
    try:
        found.bare = drag_curve(means["speed"].value, Measured(np.abs(means["torque"].value), means["torque"].se))
    except ValueError as error:
        found.told.append(f"{path.name}: the rotor without magnets gives no drag: {error}.")


def _volts(found: Constants, points: DrivePoints) -> None:
    volts, rpm = points["line_voltage"], points["speed"]
    use = np.isfinite(volts.value) & (np.abs(rpm.value) > STANDING_RPM) & found.driven
    if use.sum() < 3:
        found.told.append(
            "The voltage constant is not known: turn the motor with its phases open and record line_voltage, the peak "
            "between two phases."
        )
        return
    krpm = np.abs(rpm.value[use]) / 1000.0
    try:
        fit = linear(krpm[:, None], Measured(np.abs(volts.value[use]), volts.se[use]))
    except ValueError as error:
        found.told.append(f"The voltage constant is not known: {error}.")
        return
    found.volts_per_krpm = Known(float(fit.value[0]), float(fit.half_width[0]))


def _belt(found: Constants, points: DrivePoints, sheet: Sheet, errors: InstrumentErrors) -> None:
    wheel, turns = points["wheel_torque"], points["wheel_speed"]
    use = np.isfinite(wheel.value) & np.isfinite(turns.value) & ~found.driven
    gear = sheet.number("gear", "motor turns for one wheel turn", 0.05, 100.0, 0.0) if sheet.has("gear") else 0.0
    before = points["torque"].value * points["speed"].value * RAD_S
    behind = wheel.value * turns.value * RAD_S
    use &= np.abs(before) > 0.1 * np.nanmax(np.abs(before), initial=0.0)
    if use.sum() < 3:
        found.told.append(
            "The loss of the belt is not known: it needs wheel_torque and wheel_speed beside the motor's torque and "
            "speed."
        )
        return
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(before > 0, behind / before, before / behind)[use]
    gain = float(np.hypot(errors.of["torque"][1], errors.of["wheel_torque"][1]))
    found.belt = _mean(share, gain * float(share.mean()))
    if gear:
        slip = 1.0 - turns.value[use] * gear / points["speed"].value[use]
        found.slip = _mean(slip, float(np.hypot(errors.of["speed"][1], errors.of["wheel_speed"][1])))


def _mean(values: Floats, shared_se: float) -> Known:
    n = values.size
    half = t95(n - 1) * float(values.std(ddof=1)) / np.sqrt(n)
    return Known(float(values.mean()), float(np.hypot(half, Z95 * shared_se)))


def _saturation(found: Constants, amps: Floats, torque: Floats, se: Floats) -> None:
    use = np.isfinite(amps) & ~found.driven & (np.abs(amps) > 1.0)
    if use.sum() < 8:
        return
    a = amps[use]
    try:
        fit = linear(np.column_stack([a, a * np.abs(a)]), Measured(torque[use], se[use]))
    except ValueError:
        return
    fall = -float(fit.value[1]) * float(np.abs(a).max()) / float(fit.value[0])
    if fall > SATURATED and abs(fit.value[1]) > fit.half_width[1]:
        found.told.append(
            f"Torque per ampere falls by {fall:.0%} from small currents to {np.abs(a).max():.0f} A (iron saturates): "
            "the torque constant is a mean over the currents that were driven."
        )


def winding(points: DrivePoints, found: Constants, sheet: Sheet, limit_c: float | None) -> Winding:
    """Resistance of a phase. limit_c: of the vehicle's profile. Raises: InputError for a wrong sheet."""
    given = sheet.table("winding")
    line = given.number("line_ohm", "ohm", 1e-5, 1000.0, 0.0)
    at_c = given.number("line_at_c", "degC", -40.0, 150.0) if line else 20.0
    se = given.number("line_se_ohm", "ohm", 0.0, 10.0, 0.005 * line)
    hot = given.number("hot_line_ohm", "ohm", 1e-5, 1000.0, 0.0)
    limit = given.number("limit_c", "degC", 40.0, 300.0, limit_c if limit_c is not None else float("nan"))
    air = given.number("rating_air_c", "degC", -40.0, 80.0, 40.0)
    given.all_known()
    metered = None
    if line:
        to_20 = 0.5 / resistance_ratio(at_c, 20.0)
        metered = Known(line * to_20, Z95 * se * to_20)
    else:
        found.told.append("No resistance was measured at the terminals (line_ohm, line_at_c under [winding]).")
    rise = rise_by_resistance(hot, line, at_c) if hot and line else float("nan")
    return Winding(metered, _resistance_under_load(points, found), rise, limit, air)


def _resistance_under_load(points: DrivePoints, found: Constants) -> Known | None:
    """From what is lost beyond drag, against 1.5 i^2 at the winding's temperature, with a part that grows with i beside
    it (the power stage's drop) and a constant one (its own use)."""
    amps, temp = points["motor_current"].value, points["winding"].value
    p = points.powers
    use = np.isfinite(p.loss_w) & np.isfinite(amps) & np.isfinite(temp) & ~found.driven
    if found.drag is None or use.sum() < 6:
        return None
    rpm = points["speed"].value
    loss = (p.loss_w - found.drag_nm(rpm) * np.abs(rpm) * RAD_S)[use]
    copper = (1.5 * amps**2 * copper_factor(temp))[use]
    try:
        fit = linear(np.column_stack([copper, np.abs(amps[use]), np.ones(loss.size)]), Measured(loss, p.loss_se[use]))
    except ValueError:
        return None
    return Known(float(fit.value[0]), float(fit.half_width[0]))
