"""Temperatures: near each other when cold, and rising with loss."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.robust_fit import line, median
from herdbook.pipeline.vehicle.contact.check import ENDLESS, Check, Look
from herdbook.pipeline.vehicle.contact.measure import slope
from herdbook.pipeline.vehicle.contact.view import View

ROLES_C = ("cell_temp", "bms_temp", "ambient_temp", "motor_temp", "fet_temp")
APART_K = 30.0  # a warm cellar in a cold winter; nothing else keeps parts of one vehicle apart that nobody uses
COLDER_K = 15.0  # nothing cools them, so none is that much colder than all others; sensors are off by 3 K, and lag
OUTSIDE = ("ambient_temp", "motor_temp", "fet_temp")  # parts that follow the air within the hour
FIRST_S = 60.0
WINDOWS, WINDOW_S = 24, (8.0, 60.0)  # of a log
COPPER = 1.5  # loss of a motor: 1.5 x winding x torque current^2, as [drive] winding_ohm is meant
RISE = (0.15, 6.0)  # heat capacity of a winding alone or with its iron, resistance warm and cold
JUMP_K_S = 20.0
LEAST_STARTS, LEAST_SPREAD_K, TOGETHER = 6, 1.0, (0.25, 4.0)
LEAST_HEAT_K, AIR_K = 3.0, 5.0  # in one log; how far the air may drift meanwhile where it is not known


def _first(view: View) -> dict[str, float]:
    """Every temperature at the beginning of a log."""
    first = view.t < view.t[0] + FIRST_S * 1e6
    known = {}
    for role in ROLES_C:
        if view.has(role):
            values = np.concatenate([view.at(role, i)[first] for i in view.items(role)])
            values = values[~np.isnan(values)]
            if values.size:
                known[role] = median(values)
    return known


def _colder(view: View) -> Iterator[Look]:
    """At the begin of a log a part against the coldest of the others, of which one must follow the air; the air itself
    may be colder than all that was just used."""
    known = _first(view)
    for role, value in known.items():
        others = [v for r, v in known.items() if r != role]
        if role != "ambient_temp" and len(others) > 1 and any(r in known for r in OUTSIDE if r != role):
            said = f"{value:.0f} °C at the beginning of a log, the coldest of the others {min(others):.0f} °C"
            yield Look(role, value - min(others), -COLDER_K, ENDLESS, said=said)


def _start(view: View) -> Iterator[Look]:
    """At the begin of a log every temperature against the middle of the others; after a pause they are one."""
    known = _first(view)
    if len(known) < 3:
        return
    for role, value in known.items():
        others = float(np.median([v for r, v in known.items() if r != role]))
        said = f"{value:.0f} °C at the beginning of a log, the others {others:.0f} °C"
        yield Look(role, value - others, -APART_K, APART_K, said=said, other=others)


def _starts(view: View) -> Iterator[Look]:
    """At the begin of a log: a temperature (measured) and the middle of the others (low, high), for _together()."""
    for look in _start(view):
        yield Look(look.item, look.measured + look.other, look.other, look.other)


def _together(looks: list[Look]) -> list[Look]:
    """Over all logs: slope of a temperature on the middle of the others. Parts of one vehicle that stood get warm and
    cold together, an insulated one less, an outer one more."""
    x, y = np.array([k.low for k in looks]), np.array([k.measured for k in looks])
    if x.size < LEAST_STARTS or float(np.std(x)) < LEAST_SPREAD_K:
        return []
    fitted = line(x, y)
    said = f"{fitted.slope:.2g} K a kelvin of the others, over {x.size} logs"
    return [Look(looks[0].item, fitted.slope, *TOGETHER, error=3 * fitted.slope_se, n=x.size, said=said)]


def _windows(values: Floats, n: int) -> Floats:
    """Sums over windows of n ticks, one after the other."""
    whole = values.size // n * n
    return np.asarray(values[:whole].reshape(-1, n).sum(axis=1))


def _rise(view: View, temp: Floats, loss: Floats) -> tuple[Floats, Floats]:
    """Rise of temperature [K] and loss x time [J, or A2 s] a window, each less its mean over the windows."""
    window_s = min(WINDOW_S[1], max(WINDOW_S[0], temp.size * view.tick_s / WINDOWS))
    n = max(2, round(window_s / view.tick_s))
    whole = temp.size // n * n
    ends = np.concatenate([temp[:whole:n], temp[-1:]])[: whole // n + 1]
    rise = np.diff(ends)
    heat = _windows(loss * view.tick_s, n)[: rise.size]
    good = ~np.isnan(rise) & ~np.isnan(heat)
    rise, heat = rise[good], heat[good]
    if not rise.size:
        return rise, heat
    return rise - rise.mean(), heat - heat.mean()


def _motor(view: View) -> Iterator[Look]:
    drive = view.profile.drive_figures
    for side in view.items("motor_temp"):
        if side not in view.items("motor_current"):
            continue
        amps, temp = view.at("motor_current", side), view.at("motor_temp", side)
        known = drive.winding_ohm and drive.winding_heat_capacity_j_per_k
        if known and drive.winding_heat_loss_w_per_k:
            per_s = COPPER * float(drive.winding_ohm or 0) * amps**2 / float(drive.winding_heat_capacity_j_per_k or 1)
            leak = float(drive.winding_heat_loss_w_per_k) / float(drive.winding_heat_capacity_j_per_k or 1)
            air = view.at("ambient_temp") if view.has("ambient_temp") else np.full(temp.shape, np.nanmin(temp))
            rise, heat = _rise(view, temp, per_s - leak * (temp - air))
            yield from slope(heat, rise, *RISE, item=str(side))
        else:
            rise, heat = _rise(view, temp, amps**2)
            for look in slope(heat, rise, 0.0, ENDLESS, item=str(side)):
                way = "warms" if look.measured > 0 else "cools"
                yield replace(
                    look, said=f"{way} under current; by how much it should, only [drive] winding figures say"
                )


def _cells(view: View) -> Iterator[Look]:
    """Middle of the cells' sensors against the loss in the groups, by the profile's figures or those of such a pack."""
    pack = view.profile.pack_figures
    if not pack.given("rated_ah"):
        return
    watts = pack.groups * pack.cell_r10s_mohm / 1000 * view.at("pack_current") ** 2
    temp = np.median([view.at("cell_temp", i) for i in view.items("cell_temp")], axis=0)
    known = np.flatnonzero(~np.isnan(temp))
    heat = float(np.nansum(watts)) * view.tick_s / pack.heat_capacity_j_per_k
    if known.size < 2 or heat < LEAST_HEAT_K:
        return
    air = view.at("ambient_temp")[known] if view.has("ambient_temp") else np.array([0.0, AIR_K])
    drift = float(np.nanmax(air) - np.nanmin(air)) if np.isfinite(air).any() else AIR_K
    rose = float(temp[known[-1]] - temp[known[0]])
    said = f"{rose:.1f} K in a log whose current gives {heat:.1f} K without cooling"
    yield Look("", rose / heat, *RISE, error=(drift + 1.0) / heat, said=said)


def _stage(view: View) -> Iterator[Look]:
    for side in view.items("fet_temp"):
        if side in view.items("motor_current"):
            rise, heat = _rise(view, view.at("fet_temp", side), view.at("motor_current", side) ** 2)
            yield from slope(heat, rise, 0.0, ENDLESS, item=str(side))


def _inert(view: View) -> Iterator[Look]:
    """Matter does not change its temperature by tens of kelvins a second, again and again."""
    for role in ROLES_C:
        fast = []
        for item in view.items(role):
            s = view.series(role, item)
            if len(s) >= 20:
                rate = np.abs(np.diff(s.v)) / np.maximum(np.diff(s.t) / 1e6, 1e-3)
                fast.append(float((rate * (np.abs(np.diff(s.v)) > 5.0) > JUMP_K_S).mean()))
        if fast:
            yield Look(role, float(np.median(fast)), 0.0, 0.05, n=len(fast))


CHECKS = (
    Check(
        "temperatures_together",
        "temperatures rise and fall together from log to log",
        "K/K",
        ROLES_C,
        _starts,
        "{item} does not follow the other temperatures ({measured} K a kelvin)",
        "Check sign, unit and scale of {item}",
        pool=_together,
        needs=("cell_temp",),
        of_item=True,
    ),
    Check(
        "cells_warm",
        "cells warm with the pack's current",
        "times the figures",
        ("cell_temp", "pack_current"),
        _cells,
        "the cells' temperature contradicts the pack current",
        "Check sign, unit and scale of cell_temp and pack_current, and [pack] heat_capacity_j_per_k",
        vehicles=2,
        figures=("pack.rated_ah",),
    ),
    Check(
        "temperatures",
        "temperatures are near each other when nothing was used",
        "K",
        ROLES_C,
        _start,
        "{item} is {measured} K away from the other temperatures",
        "Check sign, unit, scale and offset of {item}",
        best=True,
        least=3,
        needs=("cell_temp",),
        of_item=True,
    ),
    Check(
        "temperatures_colder",
        "no part is far colder than all others",
        "K",
        ROLES_C,
        _colder,
        "{item} is {measured} K from the coldest of the other temperatures",
        "Check sign, unit, scale and offset of {item}",
        least=3,
        needs=("cell_temp",),
        of_item=True,
    ),
    Check(
        "motor_warms",
        "windings warm with the motor's current",
        "times the figures",
        ("motor_temp", "motor_current"),
        _motor,
        "the windings' temperature contradicts the motors' current",
        "Check sign, unit and scale of motor_temp and motor_current, and [drive] winding figures",
        vehicles=2,
    ),
    Check(
        "stage_warms",
        "power stages warm with the motor's current",
        "K/(A² s)",
        ("fet_temp", "motor_current"),
        _stage,
        "the power stages' temperature contradicts the motors' current",
        "Check sign, unit and scale of fet_temp and motor_current",
        vehicles=2,
    ),
    Check(
        "inert",
        "temperatures do not jump",
        "share",
        ROLES_C,
        _inert,
        "{item} jumps as no temperature can",
        "Check which signal {item} is, and its unit",
        needs=("cell_temp",),
        of_item=True,
    ),
)
