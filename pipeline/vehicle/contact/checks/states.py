"""States against what flows: the main switch is closed under current, the mode is to drive while driving."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from herdbook.pipeline.vehicle.contact.check import Check, Look
from herdbook.pipeline.vehicle.contact.measure import share
from herdbook.pipeline.vehicle.contact.view import View

MOSTLY, SELDOM = (0.5, 1.0), (0.0, 0.5)


def _closed(view: View) -> Iterator[Look]:
    amps = np.abs(view.at("pack_current"))
    known = amps[~np.isnan(amps)]
    clear = amps > max(0.05 * float(known.max(initial=0.0)), view.loud("pack_current"), 1.0)
    yield from share(view.is_state("contactor_state", "closed"), clear & ~np.isnan(view.at("contactor_state")), *MOSTLY)


def _mode(view: View) -> Iterator[Look]:
    """While it moves, a battery system does not say that it sleeps, charges, balances or has failed."""
    said = view.is_state("bms_state", "sleep", "charge", "balance", "fault")
    yield from share(said, view.moving & ~np.isnan(view.at("bms_state")), *SELDOM)


def _charger(view: View) -> Iterator[Look]:
    said = view.is_state("charger_state", "constant_current", "constant_voltage")
    yield from share(said, view.moving & ~np.isnan(view.at("charger_state")), *SELDOM)


CHECKS = (
    Check(
        "switch_closed",
        "the main switch is closed while current flows",
        "share",
        ("contactor_state",),
        _closed,
        "current flows while the main switch says something else than closed",
        "Check the states of contactor_state",
        needs=("contactor_state", "pack_current"),
    ),
    Check(
        "mode_riding",
        "the battery system does not say charge or sleep while riding",
        "share",
        ("bms_state",),
        _mode,
        "the battery system says sleep, charge or fault while the vehicle rides",
        "Check the states of bms_state",
    ),
    Check(
        "charger_riding",
        "the charger does not say that it charges while riding",
        "share",
        ("charger_state",),
        _charger,
        "the charger says that it charges while the vehicle rides",
        "Check the states of charger_state",
    ),
)
