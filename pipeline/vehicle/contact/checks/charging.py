"""Charging: the charger and the pack see the same current and voltage, and current flows into the pack."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from herdbook.pipeline.arrays import Bools
from herdbook.pipeline.vehicle.contact.check import Check, Look
from herdbook.pipeline.vehicle.contact.measure import ratio, share
from herdbook.pipeline.vehicle.contact.view import View

SAME_CURRENT = (0.6, 1.6)  # what the vehicle itself takes while charging, and two sensors with offsets
SAME_VOLTAGE = (0.85, 1.18)  # cable and diode at full current
MOSTLY = (0.5, 1.0)


def _strong(view: View) -> Bools:
    """Moments with a current of the charger that is no noise, and at least a fifth of its highest."""
    amps = view.at("charger_current")
    peak = float(np.nanmax(amps)) if np.isfinite(amps).any() else 0.0
    return ~view.moving & (amps > max(0.2 * peak, view.loud("charger_current"), 2 * view.loud("pack_current"), 0.3))


def _current(view: View) -> Iterator[Look]:
    yield from ratio(-view.all_packs(), view.at("charger_current"), _strong(view), *SAME_CURRENT)


def _voltage(view: View) -> Iterator[Look]:
    where = _strong(view) if view.has("charger_current") else _charging(view)
    yield from ratio(view.at("charger_voltage"), view.at("pack_voltage"), where, *SAME_VOLTAGE)


def _charging(view: View) -> Bools:
    return view.is_state("charger_state", "constant_current", "constant_voltage") & ~view.moving


def _state(view: View) -> Iterator[Look]:
    amps = view.at("pack_current")
    where = _charging(view) & (np.abs(amps) > max(0.3, view.loud("pack_current")))
    yield from share(amps < 0, where, *MOSTLY)


def _mode(view: View) -> Iterator[Look]:
    amps = view.at("pack_current")
    where = view.is_state("bms_state", "charge") & ~view.moving & (np.abs(amps) > max(0.3, view.loud("pack_current")))
    yield from share(amps < 0, where, *MOSTLY)


def _own_state(view: View) -> Iterator[Look]:
    yield from share(_charging(view), _strong(view), *MOSTLY)


CHECKS = (
    Check(
        "charging_current",
        "the charger's current goes into the pack",
        "times",
        ("pack_current", "charger_current"),
        _current,
        "the pack current while charging is {measured} times the charger's",
        "Pack current is negative on charge: check sign, unit and scale of pack_current and charger_current",
    ),
    Check(
        "charging_voltage",
        "the charger's voltage is the pack's",
        "times",
        ("charger_voltage", "pack_voltage"),
        _voltage,
        "the charger's voltage is {measured} times the pack's",
        "Check unit and scale of charger_voltage and pack_voltage",
    ),
    Check(
        "charging_negative",
        "current is negative while the charger says that it charges",
        "share",
        ("pack_current", "charger_state"),
        _state,
        "current flows out of the pack while the charger says that it charges",
        "Check the sign of pack_current and the states of charger_state",
    ),
    Check(
        "charging_mode",
        "current is negative while the battery system says that it charges",
        "share",
        ("pack_current", "bms_state"),
        _mode,
        "current flows out of the pack while the battery system says that it charges",
        "Check the sign of pack_current and the states of bms_state",
    ),
    Check(
        "charger_state",
        "the charger says that it charges while its current flows",
        "share",
        ("charger_state", "charger_current"),
        _own_state,
        "the charger's current flows while its state says something else",
        "Check the states of charger_state",
    ),
)
