"""Limits that the pack sends: not exceeded all the time, and of the size that the figures say."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.vehicle.contact.check import ENDLESS, Check, Look
from herdbook.pipeline.vehicle.contact.measure import share
from herdbook.pipeline.vehicle.contact.view import View

SELDOM = (0.0, 0.5)
OVER = 1.1  # beyond the limit by more than a sensor is off
CLEAR = 0.3  # of the highest current: what is a load
SIZE = 3.0  # times the figure


def _exceeded(view: View, role: str, current: Floats) -> Iterator[Look]:
    limit = view.at(role)
    loud = view.loud("pack_current")
    yield from share(current > OVER * limit + loud, _flows(current, loud) & ~np.isnan(limit), *SELDOM)


def _flows(current: Floats, loud: float) -> Bools:
    known = current[~np.isnan(current)]
    return np.asarray(current > max(CLEAR * float(known.max(initial=0.0)), loud, 0.5))


def _charge(view: View) -> Iterator[Look]:
    yield from _exceeded(view, "charge_limit", -view.at("pack_current"))


def _discharge(view: View) -> Iterator[Look]:
    yield from _exceeded(view, "discharge_limit", view.at("pack_current"))


def _size(view: View) -> Iterator[Look]:
    pack = view.profile.pack_figures
    for role, figure in (("charge_limit", pack.max_charge_a), ("discharge_limit", pack.max_discharge_a)):
        if figure and view.has(role):
            yield Look(role, float(np.max(view.series(role).v)) / figure, 0.0, SIZE)


def _figure(view: View) -> Iterator[Look]:
    """Highest pack currents over the pack's own limits."""
    pack = view.profile.pack_figures
    amps = view.series("pack_current").v
    if pack.max_discharge_a and view.moving.sum() > 120:
        yield Look("", float(np.quantile(amps, 0.999)) / pack.max_discharge_a, -ENDLESS, 2.5)


CHECKS = (
    Check(
        "charge_limit",
        "current into the pack stays under the charge limit",
        "share",
        ("charge_limit", "pack_current"),
        _charge,
        "the charge limit is exceeded nearly all the time",
        "Check unit and scale of charge_limit, the sign of pack_current, and whether both limits are exchanged",
        vehicles=2,
    ),
    Check(
        "discharge_limit",
        "current out of the pack stays under the discharge limit",
        "share",
        ("discharge_limit", "pack_current"),
        _discharge,
        "the discharge limit is exceeded nearly all the time",
        "Check unit and scale of discharge_limit, the sign of pack_current, and whether both limits are exchanged",
        vehicles=2,
    ),
    Check(
        "limit_size",
        "limits are of the size of the pack's figures",
        "times the figure",
        ("charge_limit", "discharge_limit"),
        _size,
        "{item} reaches {measured} times the pack's own figure",
        "Check unit and scale of {item}, whether both limits are exchanged, and [pack] max_charge_a, max_discharge_a",
        needs=("pack_current",),
        of_item=True,
    ),
    Check(
        "current_most",
        "currents are of the size of the pack's figures",
        "times max_discharge_a",
        ("pack_current",),
        _figure,
        "the pack current reaches {measured} times the pack's own figure",
        "Check unit and scale of pack_current, and [pack] max_discharge_a",
        figures=("pack.max_discharge_a",),
    ),
)
