"""Speed, motors, distance and power of the drive against each other and against the figures."""

from __future__ import annotations

from collections.abc import Iterator
from math import pi

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.science.road import AIR, GRAVITY
from herdbook.pipeline.vehicle.contact.check import ENDLESS, Check, Look
from herdbook.pipeline.vehicle.contact.measure import ratio, share, total
from herdbook.pipeline.vehicle.contact.view import View

SPEED = (0.8, 1.25)  # tyres are worn and pressed, a speed is calibrated to a tenth; a mile is 1.6 km
SIDES = (0.7, 1.4)  # curves even out
DISTANCE = (0.75, 1.33)
LINK = (0.85, 1.15)  # cables and switch at full current
POWER = (0.3, 1.5)  # of motors over pack: efficiency 0.6 to 0.95, a torque constant is off by a quarter
ROAD = (0.2, 6.0)  # of level road: push-off, downhill; stops, headwind, soft ground
ROLLING, DRAG_M2 = 0.015, 0.6  # where the profile does not say: a small vehicle with a standing rider
HEIGHT_M = 100.0  # a log may end so much higher or lower than it began
LEAST_KM, ANY_WH_KM = 1.0, (0.5, 500.0)
PULLS = 0.2  # of the highest: a clear command, a clear current
MOSTLY = (0.5, 1.0)


def _motor_speed(view: View) -> Iterator[Look]:
    drive = view.profile.drive_figures
    if not (drive.gear and drive.wheel_m):
        return
    v = view.at("vehicle_speed")
    for side in view.items("motor_speed"):
        rolled = view.at("motor_speed", side) / 60 * pi * drive.wheel_m / drive.gear
        fast, turns = 1.0, 0.1
        if _peak(v) < 1.0 < _peak(rolled):  # motors that go well and a speed that never does: its unit may be wrong
            fast, turns = PULLS * _peak(v), PULLS * _peak(rolled)
        where = (np.abs(v) > max(fast, 2 * view.loud("vehicle_speed"))) & (np.abs(rolled) > turns)
        yield from ratio(v, rolled, where, *SPEED, item=str(side))


def _sides(view: View) -> Iterator[Look]:
    left, right = view.at("motor_speed", "left"), view.at("motor_speed", "right")
    fast = max(60.0, PULLS * _peak(left), PULLS * _peak(right))
    yield from ratio(left, right, (np.abs(left) > fast) & (np.abs(right) > fast / 4), *SIDES)


def _distance(view: View) -> Iterator[Look]:
    odo, v = view.series("odometer"), view.at("vehicle_speed")
    if len(odo) < 2:
        return
    steps = np.diff(odo.v)
    quantum = float(np.min(steps[steps > 0])) if (steps > 0).any() else 0.0
    inside = (view.t >= odo.t[0]) & (view.t <= odo.t[-1])
    if np.isnan(v[inside]).mean() > 0.2:
        return
    rolled = float(np.nansum(np.abs(v[inside]))) * view.tick_s / 1000
    counted = float(odo.v[-1] - odo.v[0])
    if rolled > 0.3 or (rolled > 0 and counted > max(0.3, 4 * quantum)):
        said = f"{counted:.3g} km by the odometer, {rolled:.3g} km by the speed"
        yield Look("", counted / rolled, *DISTANCE, error=3 * quantum / rolled, said=said)


def _link(view: View) -> Iterator[Look]:
    for side in view.items("dc_link_voltage"):
        yield from ratio(view.at("dc_link_voltage", side), view.at("pack_voltage"), view.moving, *LINK, item=str(side))


def _motor_power(view: View) -> Iterator[Look]:
    drive = view.profile.drive_figures
    sides = [i for i in view.items("motor_current") if i in view.items("motor_speed")]
    if not drive.torque_nm_per_a or len(sides) < (drive.motors or 2):
        return
    turning = [view.at("motor_current", i) * view.at("motor_speed", i) for i in sides]
    shaft = drive.torque_nm_per_a * np.sum(turning, axis=0) * pi / 30
    pack = view.all_packs() * view.at("pack_voltage")
    drawing = view.at("pack_current") > max(view.loud("pack_current"), 1.0)
    yield from ratio(shaft, pack, view.moving & drawing & (pack > PULLS * _peak(pack)), *POWER)


def _energy(view: View) -> Iterator[Look]:
    v, power = np.abs(view.at("vehicle_speed")), view.all_packs() * view.at("pack_voltage")
    where = ~np.isnan(v) & ~np.isnan(power)
    km = float(total(v, view.tick_s, where)[-1]) / 1000 if v.size else 0.0
    if km < LEAST_KM:
        return
    wh_km = float(total(power, view.tick_s, where & view.moving)[-1]) / 3600 / km
    car = view.profile.vehicle_figures
    if car.mass_kg is None:
        yield Look("", wh_km, *ANY_WH_KM)
        return
    squared = float((v[where] ** 3).sum() / v[where].sum())
    force = car.mass_kg * GRAVITY * (car.rolling or ROLLING) + 0.5 * AIR * (car.drag_area_m2 or DRAG_M2) * squared
    level = force / 3.6
    yield Look("", wh_km, ROAD[0] * level, ROAD[1] * level, error=car.mass_kg * GRAVITY * HEIGHT_M / 3600 / km)


def _throttle(view: View) -> Iterator[Look]:
    amps = view.mean("motor_current")
    where = (view.at("throttle") > 20.0) & (np.abs(amps) > PULLS * _peak(amps))
    yield from share(amps > 0, where, *MOSTLY)


def _forward(view: View) -> Iterator[Look]:
    """Motors that draw from the pack drive: their torque current has the sign of their speed."""
    pack = view.at("pack_current")
    drawing = view.moving & (pack > max(PULLS * _peak(pack), view.loud("pack_current")))
    for side in view.items("motor_current"):
        amps = view.at("motor_current", side)
        turning = view.at("motor_speed", side) if side in view.items("motor_speed") else np.ones(amps.shape)
        yield from share(amps * turning > 0, drawing & (np.abs(amps) > PULLS * _peak(amps)), *MOSTLY, item=str(side))


def _trigger(view: View) -> Iterator[Look]:
    amps = view.mean("motor_current")
    yield from share(view.at("trigger") > 0.5, view.moving & (amps > PULLS * _peak(amps)), *MOSTLY)


def _reach(view: View) -> Iterator[Look]:
    """A vehicle at more than half of its top speed was asked to go, and allowed to: both were once over a tenth."""
    top, v = view.profile.vehicle_figures.top_speed_kmh, view.at("vehicle_speed")
    if top and np.isfinite(v).any() and float(np.nanmax(v)) * 3.6 > 0.5 * top:
        for role in ("throttle", "derate"):
            if view.has(role):
                yield Look(role, float(np.max(view.series(role).v)), 15.0, 100.0)


def _seldom_high(view: View) -> Iterator[Look]:
    """A share that is a tenth of what it could be in every log is perhaps a share of ten."""
    for role in ("link_quality", "brake_demand"):
        if view.has(role) and view.moving.sum() > 120:
            high = float(np.max(view.series(role).v))
            if high > 0:
                yield Look(role, high, 15.0, 100.0)


FAR, NEAR = 2.0, 1.25  # engineering choices: far is another unit or figure; near is more than tyres and hills explain


def _top_speed(view: View) -> Iterator[Look]:
    yield from (Look("", part, 0.05, FAR) for part in _of_top_speed(view))


def _over_top_speed(view: View) -> Iterator[Look]:
    """Downhill a vehicle runs past what its motors reach, for moments: not in a twentieth of its riding, and not by a
    quarter. km/h taken for mph is 1.61. It is as often the typed figure that is wrong, so it silences no rule."""
    yield from (Look("", part, 0.0, NEAR) for part in _of_top_speed(view) if part <= FAR)


def _of_top_speed(view: View) -> Iterator[float]:
    top, v = view.profile.vehicle_figures.top_speed_kmh, np.abs(view.at("vehicle_speed"))
    if top and view.moving.sum() > 120 and np.isfinite(v).any():
        yield float(np.nanquantile(v[view.moving], 0.95)) * 3.6 / top


def _peak(values: Floats | Bools) -> float:
    known = np.abs(values[~np.isnan(values)])
    return float(np.quantile(known, 0.99)) if known.size else ENDLESS


CHECKS = (
    Check(
        "speed_motor",
        "speed is motor speed through gear and wheel",
        "times",
        ("motor_speed", "vehicle_speed"),
        _motor_speed,
        "the speed is {measured} times motor speed through gear and wheel",
        "Check sign, unit and scale of vehicle_speed and motor_speed, and [drive] gear and wheel_m",
        figures=("drive.gear", "drive.wheel_m"),
    ),
    Check(
        "motor_sides",
        "both motors turn alike",
        "times",
        ("motor_speed",),
        _sides,
        "the left motor's speed is {measured} times the right one's",
        "Motor speed is positive forwards on both sides: check sign and scale of each side",
    ),
    Check(
        "distance",
        "the odometer counts what the speed adds up to",
        "times",
        ("odometer", "vehicle_speed"),
        _distance,
        "the odometer counts {measured} times what the speed adds up to",
        "Check unit and scale of odometer and vehicle_speed",
    ),
    Check(
        "dc_link",
        "the DC link has the pack's voltage",
        "times",
        ("dc_link_voltage", "pack_voltage"),
        _link,
        "the voltage at the DC link is {measured} times the pack's",
        "Check unit and scale of dc_link_voltage and pack_voltage",
    ),
    Check(
        "motor_power",
        "the motors' power is about the pack's",
        "times",
        ("motor_current", "motor_speed", "pack_current", "pack_voltage"),
        _motor_power,
        "the motors' power is {measured} times the pack's",
        "Check sign, unit, scale of motor_current, motor_speed, pack_current; [drive] torque_nm_per_a; [pack] beside",
        figures=("drive.torque_nm_per_a",),
    ),
    Check(
        "energy_per_km",
        "energy per kilometre is that of such a vehicle",
        "Wh/km",
        ("pack_current", "pack_voltage", "vehicle_speed"),
        _energy,
        "{measured} Wh/km is not what such a vehicle can take",
        "Check signs, units and scales of pack_current, pack_voltage and vehicle_speed, and [vehicle] mass_kg",
    ),
    Check(
        "motor_forward",
        "motors that draw from the pack drive",
        "share",
        ("motor_current",),
        _forward,
        "the motors' current is negative while they draw from the pack",
        "Motor current is positive while driving: check its sign on each side, and that of pack_current",
        needs=("motor_current", "pack_current"),
    ),
    Check(
        "throttle",
        "motors drive when the throttle asks",
        "share",
        ("throttle", "motor_current"),
        _throttle,
        "the motors brake while the throttle asks to drive",
        "Check whether throttle and brake_demand are exchanged, and the sign of motor_current",
    ),
    Check(
        "trigger",
        "motors drive only while the trigger is held",
        "share",
        ("trigger",),
        _trigger,
        "the motors drive while the trigger is not held",
        "Check the meaning of trigger: 1 is held",
        needs=("trigger", "motor_current"),
    ),
    Check(
        "command_reach",
        "a vehicle that went fast was asked and allowed to",
        "%",
        ("throttle", "derate"),
        _reach,
        "{item} never passes {measured} % though the vehicle went fast",
        "Check unit and scale of {item}: 100 is all of it",
        needs=("vehicle_speed",),
        best=True,
        of_item=True,
    ),
    Check(
        "share_reach",
        "shares reach more than a tenth at times",
        "%",
        ("link_quality", "brake_demand"),
        _seldom_high,
        "{item} never passes {measured} %",
        "Check unit and scale of {item}: 100 is all of it",
        severe=False,
        needs=("vehicle_speed",),
        best=True,
        least=3,
        of_item=True,
    ),
    Check(
        "top_speed",
        "the speed stays within what the vehicle can do",
        "times top_speed_kmh",
        ("vehicle_speed",),
        _top_speed,
        "the vehicle goes {measured} times its top speed",
        "Check unit and scale of vehicle_speed, and [vehicle] top_speed_kmh",
        figures=("vehicle.top_speed_kmh",),
    ),
    Check(
        "over_top_speed",
        "the speed stays near or under the top speed",
        "times top_speed_kmh",
        ("vehicle_speed",),
        _over_top_speed,
        "the vehicle goes {measured} times its top speed",
        "Check [vehicle] top_speed_kmh, then unit and scale of vehicle_speed",
        severe=False,
        figures=("vehicle.top_speed_kmh",),
    ),
)
