"""Voltage that rises with charge as the chemistry's curve says: a flat curve is not a steep one, whatever the pack says
of its own charge."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.vehicle.chemistry import ocv_of
from herdbook.pipeline.vehicle.contact.check import ENDLESS, Check, Look
from herdbook.pipeline.vehicle.contact.measure import total
from herdbook.pipeline.vehicle.contact.view import View

WINDOW = 0.3  # of the rated charge: a flat middle is longer than that, and so are most charges
STEEP = 0.4  # of the curve's least rise: a charger holds its voltage at the end, a pack warms and drops less
READ_V = 0.02  # two readings of a mean of groups; of a flat curve it is more than all its rise, which then says nothing
LEAST_A = 0.02  # of the rated charge an hour: a current that charges
HOLES = 0.1  # of the charge's time without a known current
MOST = 500  # windows looked at


def least_rise(share: Floats, volts: Floats) -> float:
    """Least rise [V] over any WINDOW; share (n,): charge given so far, rising, in rated charges; volts (n,)."""
    starts = np.linspace(share[0], share[-1] - WINDOW, MOST)
    return float(np.min(np.interp(starts + WINDOW, share, volts) - np.interp(starts, share, volts)))


def _rise(view: View) -> Iterator[Look]:
    pack = view.profile.pack_figures
    if not pack.given("rated_ah"):
        return
    amps, volts = -view.at("pack_current"), view.middle("cell_voltage")
    on = np.flatnonzero((amps > LEAST_A * pack.rated_ah) & ~view.moving & ~np.isnan(volts))
    if on.size < 2:
        return
    span = slice(on[0], on[-1] + 1)
    if np.isnan(amps[span]).mean() > HOLES or view.moving[span].any():
        return
    share = np.maximum.accumulate(total(amps, view.tick_s, ~np.isnan(amps))[on]) / 3600 / pack.rated_ah
    if share[-1] - share[0] < WINDOW:
        return
    curve = ocv_of(view.profile.pack) or pack.of_chemistry.ocv
    told = least_rise(curve.soc_pct / 100, curve.middle_v)
    found = least_rise(share, volts[on])
    name = pack.chemistry or "the usual chemistry"
    said = (
        f"{1000 * found:.0f} mV where it rises least over {WINDOW:.0%} of the rated charge; by the curve ({name}) "
        f"{1000 * told:.0f} mV"
    )
    yield Look("", found / told, STEEP, ENDLESS, error=READ_V / told, n=int(on.size), said=said)


CHECKS = (
    Check(
        "charge_curve",
        "voltage rises with charge as the chemistry's curve does",
        "times the curve",
        ("cell_voltage", "pack_current"),
        _rise,
        "the groups' voltage rises far less with charge than the chemistry's curve",
        "Check [pack] chemistry and rated_ah, then unit and scale of pack_current and cell_voltage",
        figures=("pack.rated_ah",),
    ),
)
