"""Braking: a demand makes motors brake and current flow back, within what is allowed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.vehicle.contact.check import Check, Look
from herdbook.pipeline.vehicle.contact.measure import ratio, share
from herdbook.pipeline.vehicle.contact.view import View

ASKED_PCT = 20.0
BEFORE_S = 1.0  # a controller answers within so much
BACK = (0.4, 1.7)  # what the vehicle itself takes of the current, and two sensors
ANSWERED = (0.25, 2.0)
MOSTLY, SELDOM = (0.5, 1.0), (0.0, 0.5)
STRONG = 0.3  # of the highest
OVER = 1.2
MOST = 3.0  # times the profile's figure


def _high(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(np.quantile(known, 0.995)) if known.size else 0.0


def _brakes(view: View) -> Iterator[Look]:
    amps = view.mean("motor_current")
    peak = _high(np.abs(amps))
    where = view.moving & (view.at("brake_demand") > ASKED_PCT) & (np.abs(amps) > 0.1 * peak)
    yield from share(amps < 0, where, *MOSTLY)


def _before(view: View) -> Iterator[Look]:
    """Onsets of braking current, and whether a demand stood before; not where it brakes on a released throttle."""
    if view.profile.drive_figures.coast_brake:
        return
    amps, asked = view.mean("motor_current"), view.at("brake_demand") > 0
    loud = max(view.loud("motor_current", i) for i in view.items("motor_current"))
    strong = view.moving & (amps < -max(STRONG * _high(-amps), loud))
    begun = np.flatnonzero(strong[1:] & ~strong[:-1]) + 1
    if begun.size < 5:
        return
    back = max(1, round(BEFORE_S / view.tick_s))
    stood = np.array([asked[max(0, i - back) : i + 1].any() for i in begun])
    yield Look("", float(stood.mean()), *MOSTLY, error=1.5 / begun.size**0.5, n=int(begun.size))


def _back(view: View) -> Iterator[Look]:
    given = view.at("regen_current")
    peak = _high(given)
    where = view.moving & (given > max(STRONG * peak, view.loud("regen_current"), 2 * view.loud("pack_current"), 0.5))
    yield from ratio(-view.all_packs(), given, where, *BACK)


def _answered(view: View) -> Iterator[Look]:
    asked, given = view.at("regen_demand"), view.at("regen_current")
    where = view.moving & (asked > max(STRONG * _high(asked), 0.5)) & (given > 0)
    if view.has("regen_state"):
        where &= view.is_state("regen_state", "active")
    yield from ratio(given, asked, where, *ANSWERED)
    # Whatever the size of what is asked: where current flows well, it is not many times as much.
    flows = view.moving & (given > max(STRONG * _high(given), view.loud("regen_current"), 0.5)) & (asked > 0)
    if not where.any():
        yield from ratio(given, asked, flows, 0.0, ANSWERED[1])


def _allowed(view: View) -> Iterator[Look]:
    given, allowed = view.at("regen_current"), view.at("regen_allowed")
    where = view.moving & (given > max(STRONG * _high(given), view.loud("regen_current"), 0.5)) & ~np.isnan(allowed)
    yield from share(given > OVER * allowed + view.loud("regen_current"), where, *SELDOM)


def _most(view: View) -> Iterator[Look]:
    figure = view.profile.drive_figures.regen_max_a
    for role in ("regen_demand", "regen_current", "regen_allowed"):
        if figure and view.has(role):
            yield Look(role, _high(view.series(role).v) / figure, 0.0, MOST)


def _state(view: View) -> Iterator[Look]:
    given = view.at("regen_current")
    where = view.moving & (given > max(STRONG * _high(given), view.loud("regen_current"), 0.5))
    yield from share(view.is_state("regen_state", "active", "limited"), where, *MOSTLY)


CHECKS = (
    Check(
        "brake_current",
        "motors brake when the brake is asked for",
        "share",
        ("brake_demand", "motor_current"),
        _brakes,
        "the motors drive while the brake is asked for",
        "Check whether throttle and brake_demand are exchanged, and the sign of motor_current",
    ),
    Check(
        "brake_before",
        "a brake demand stands before braking current",
        "share",
        ("brake_demand", "motor_current"),
        _before,
        "braking current flows without a brake demand",
        "Check brake_demand and the sign of motor_current; coast_brake = true if it brakes on a released throttle",
        severe=False,
        vehicles=2,
    ),
    Check(
        "regen_back",
        "the current of braking flows into the pack",
        "times",
        ("regen_current", "pack_current"),
        _back,
        "the pack takes {measured} times the current of braking",
        "Check sign of pack_current, unit and scale of regen_current (pack side, a magnitude), and [pack] beside",
    ),
    Check(
        "regen_answered",
        "the current of braking is about what was wanted",
        "times",
        ("regen_demand", "regen_current"),
        _answered,
        "the current of braking is {measured} times what was wanted",
        "Check unit and scale of regen_demand and regen_current: pack side, magnitudes",
    ),
    Check(
        "regen_allowed",
        "braking stays within what is allowed",
        "share",
        ("regen_allowed", "regen_current"),
        _allowed,
        "braking exceeds what is allowed nearly all the time",
        "Check unit and scale of regen_allowed and regen_current",
    ),
    Check(
        "regen_most",
        "currents of braking stay within the vehicle's figure",
        "times regen_max_a",
        ("regen_demand", "regen_current", "regen_allowed"),
        _most,
        "{item} reaches {measured} times the vehicle's most",
        "Check unit and scale of {item}, and [drive] regen_max_a",
        needs=("brake_demand",),
        of_item=True,
        figures=("drive.regen_max_a",),
    ),
    Check(
        "regen_state",
        "the brake says that it is active while its current flows",
        "share",
        ("regen_state",),
        _state,
        "current of braking flows while the state of the brake says something else",
        "Check the states of regen_state",
        needs=("regen_state", "regen_current"),
    ),
)
