"""Current, voltage, cells and charge of the pack against each other."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.science.ocv import Ocv
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.chemistry import ocv_of
from herdbook.pipeline.vehicle.contact.check import ENDLESS, Check, Look, number
from herdbook.pipeline.vehicle.contact.measure import slope, total
from herdbook.pipeline.vehicle.contact.view import View

STEP_SHARE = 0.1  # of the highest current: smaller steps say little
STILL = 9  # digits of a volt that a sensor may tell
RESISTANCE = (0.1, 12.0)  # of the profile's, in half a second: its ohmic half warm, eight times in the cold
CELL_GAIN = 0.03  # two voltage sensors may differ by so much of the reading
# Under and over the curve: nearly empty under load; held full by a charger. Choices, the second set for LFP, which
# rests at 3.33 V when full, is held at 3.65 V, and may be read 0.05 V too high.
CELL_SLACK_V = (0.5, 0.37)
REST_A = 0.05  # of the rated charge an hour: voltage is that of a rest within the curve's own error
CELL_ERROR_V = 0.01  # of a sensor, and of a rest that was short
REST_TICKS = 120  # a minute
REPORTED_PCT = 35.0  # a reported state of charge may be off by so much and be a matter of the vehicle
CHARGE = (0.4, 2.5)  # a reported charge drifts, capacity fades to half, efficiency is over 0.9
LEAST_CHARGE_PCT = 4.0
CHARGE_ERROR = 0.25  # of what a battery system's own count may be off over a few percent (engineering choice)


def _steps(view: View) -> tuple[Floats, Floats]:
    """Steps of pack current [A] and of the mean group's voltage [V] from tick to tick, where the current stepped."""
    current = view.at("pack_current")
    volts = view.mean("cell_voltage") if view.has("cell_voltage") else view.at("pack_voltage") / _cells(view)
    di, dv = np.diff(current), np.round(np.diff(volts), STILL)  # a mean of equal readings moves by its rounding
    peak = np.nanmax(np.abs(current)) if np.isfinite(current).any() else 0.0
    good = ~np.isnan(di) & ~np.isnan(dv) & (np.abs(di) > max(STEP_SHARE * peak, view.loud("pack_current")))
    return di[good], dv[good]


def _cells(view: View) -> float:
    return float(view.profile.pack_figures.cells or len(view.items("cell_voltage")) or 1)


def _sign(view: View) -> Iterator[Look]:
    di, dv = _steps(view)
    yield from slope(di, dv, 0.0, ENDLESS, scale=-1000.0)


def _resistance(view: View) -> Iterator[Look]:
    pack = view.profile.pack_figures
    if not pack.given("cell_r10s_mohm"):
        return
    di, dv = _steps(view)
    for look in slope(di, dv, RESISTANCE[0], RESISTANCE[1], scale=-1000.0 / pack.cell_r10s_mohm):
        if look.measured > 0:  # the sign is told by the other check
            yield look


def _cells_missing(view: View) -> Iterator[Look]:
    cells = [view.at("cell_voltage", i) for i in view.items("cell_voltage")]
    pack, total_v = view.at("pack_voltage"), np.sum(cells, axis=0)
    where = view.in_use & ~np.isnan(pack) & ~np.isnan(total_v)
    if where.sum() < 20:
        return
    off = median((pack - total_v)[where]) / (median(total_v[where]) / len(cells))
    slack = max(0.6, CELL_GAIN * len(cells))
    said = f"{len(cells)} groups add up to {median(total_v[where]):.1f} V, the pack says {median(pack[where]):.1f} V"
    yield Look("", off, -slack, slack, n=int(where.sum()), said=said)


def _cell_count(view: View) -> Iterator[Look]:
    """Where no groups are mapped: the pack's voltage over the count of groups is a voltage of a cell."""
    if view.has("cell_voltage") or not view.profile.pack_figures.cells:
        return
    low, high = _window(view)
    volts = view.at("pack_voltage")[view.in_use] / _cells(view)
    volts = volts[~np.isnan(volts)]
    if volts.size >= 20:
        yield Look("", median(volts), low, high, n=int(volts.size))


def _curve(view: View) -> Ocv:
    """Open-circuit voltage of a group: the profile's own, else its chemistry's, else the usual one's."""
    return ocv_of(view.profile.pack) or view.profile.pack_figures.of_chemistry.ocv


def _window(view: View) -> tuple[float, float]:
    curve = _curve(view)
    return float(curve.middle_v[0]) - CELL_SLACK_V[0], float(curve.middle_v[-1]) + CELL_SLACK_V[1]


def _level(view: View) -> Iterator[Look]:
    low, high = _window(view)
    middles = [median(view.series("cell_voltage", i).v) for i in view.items("cell_voltage")]
    name = view.profile.pack_figures.chemistry or "the usual chemistry"
    middle = float(np.median(middles))
    said = f"{number(middle)} V in the middle ({name}: {low:.2f} to {high:.2f} V)"
    yield Look("", middle, low, high, n=len(middles), said=said)


def _rest(view: View) -> Iterator[Look]:
    """The reported state of charge less what the open-circuit curve says of the groups while little current flows.

    In the minutes after a charge the voltage stands above that of a rest, after a ride below it: a bound to one side.
    """
    pack = view.profile.pack_figures
    amps, volts, soc = view.at("pack_current"), view.mean("cell_voltage"), view.at("pack_soc")
    still = np.abs(amps) < REST_A * pack.size_ah
    quiet = ~view.moving & still & ~np.isnan(volts) & ~np.isnan(soc)
    before = _flow_before(amps, still)
    counts = {way: int((quiet & (before == way)).sum()) for way in (0, 1, -1)}
    way = next((w for w, n in counts.items() if n >= REST_TICKS), None)
    if way is None:
        return
    quiet &= before == way
    told, error = _curve(view).soc(median(volts[quiet]), CELL_ERROR_V)
    reported = median(soc[quiet])
    bound = {0: "", 1: "at least ", -1: "at most "}[way]
    said = f"state of charge {number(reported)} %, the groups' voltage says {bound}{number(told)} % ± {number(error)} %"
    low, high = (-ENDLESS if way < 0 else -REPORTED_PCT), (ENDLESS if way > 0 else REPORTED_PCT)
    yield Look("", reported - told, low, high, error=3 * error, n=counts[way], said=said)


def _flow_before(amps: Floats, still: Bools) -> Floats:
    """Which way current last went before each moment: 1 out of the pack, -1 into it, 0 none in this log."""
    flows = ~still & ~np.isnan(amps)
    newest = np.maximum.accumulate(np.where(flows, np.arange(amps.size), -1))
    return np.where(newest >= 0, np.sign(amps[newest]), 0.0)


def _charge(view: View) -> Iterator[Look]:
    pack = view.profile.pack_figures
    if not pack.given("rated_ah"):
        return
    soc, current = view.at("pack_soc"), view.at("pack_current")
    known = ~np.isnan(soc)
    if known.sum() < 20:
        return
    a, b = sorted((int(np.nanargmin(soc)), int(np.nanargmax(soc))))
    moved = float(soc[a] - soc[b])
    if abs(moved) < max(LEAST_CHARGE_PCT, view.loud("pack_soc")) or np.isnan(current[a:b]).mean() > 0.1:
        return
    if np.nanmax(np.abs(np.diff(soc[a : b + 1][known[a : b + 1]]))) > abs(moved) / 3:
        return  # set anew, not counted
    counted = float(total(current[a:b], view.tick_s, np.ones(b - a, bool))[-1]) / 3600
    told = moved / 100 * pack.rated_ah
    step = abs(view.noise("pack_soc") * 12**0.5 / moved)
    went, way = ("fell", 1.0) if told > 0 else ("rose", -1.0)
    said = f"charge {went} by {way * told:.3g} Ah by the reported state of charge, "
    said += f"by {way * counted:.3g} Ah by the current"
    r = counted / told
    yield Look("", r, *CHARGE, error=abs(r) * (CHARGE_ERROR + step), said=said)


CHECKS = (
    Check(
        "current_sign",
        "voltage falls when the pack current rises",
        "mOhm",
        ("pack_current", "cell_voltage", "pack_voltage"),
        _sign,
        "the sign of the pack current contradicts the voltage",
        "Pack current is positive on discharge: write scale = -1 into pack_current if yours is positive on charge",
        needs=("pack_current", "pack_voltage"),
    ),
    Check(
        "current_size",
        "voltage falls with current as much as the resistance of a group says",
        "x cell_r10s_mohm",
        ("pack_current", "cell_voltage"),
        _resistance,
        "pack current and group voltages contradict the groups' resistance (x {measured})",
        "Check unit and scale of pack_current and cell_voltage, and [pack] cell_r10s_mohm",
        needs=("pack_current", "pack_voltage"),
        figures=("pack.cell_r10s_mohm",),
    ),
    Check(
        "cells_sum",
        "the groups add up to the pack's voltage",
        "groups",
        ("cell_voltage", "pack_voltage"),
        _cells_missing,
        "the groups do not add up to the pack's voltage",
        "Check n of cell_voltage against the pack (a group may not be mapped), [pack] cells, and the units of both",
    ),
    Check(
        "cell_count",
        "pack voltage over [pack] cells is the voltage of a cell",
        "V",
        ("pack_voltage",),
        _cell_count,
        "the pack's voltage does not fit the count of groups",
        "Check [pack] cells, chemistry and the unit of pack_voltage",
    ),
    Check(
        "cell_level",
        "group voltages are those of the chemistry",
        "V",
        ("cell_voltage",),
        _level,
        "the group voltages are not those of the chemistry",
        "Check the unit and scale of cell_voltage, and [pack] chemistry",
    ),
    Check(
        "charge_balance",
        "the current counts as much charge as the state of charge",
        "times",
        ("pack_current", "pack_soc"),
        _charge,
        "the charge counted from the pack current is {measured} times what the state of charge says",
        "Check sign, unit and scale of pack_current and pack_soc, and [pack] rated_ah",
        figures=("pack.rated_ah",),
    ),
    Check(
        "charge_at_rest",
        "the state of charge fits the voltage at rest",
        "%",
        ("pack_soc", "cell_voltage"),
        _rest,
        "the state of charge contradicts the voltage at rest",
        "Check unit and scale of pack_soc and cell_voltage, and [pack] chemistry",
        needs=("pack_soc", "cell_voltage", "pack_current"),
        vehicles=3,
    ),
)
