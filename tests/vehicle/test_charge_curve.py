"""Whether voltage rises with charge as the chemistry's curve says: one broken wire of one vehicle is not the chemistry.

A scan had put every rule of a type aside after the charge of one vehicle with an open measuring wire.
"""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.vehicle.chemistry import chemistry
from herdbook.pipeline.vehicle.contact.check import Word
from herdbook.pipeline.vehicle.contact.checks.chemistry import CHECKS
from herdbook.pipeline.vehicle.contact.view import View
from herdbook.pipeline.vehicle.signals import Key, Series, Signals
from tests.vehicle.held import hold_views


def charge(flat: float = 1.0, broken: bool = False) -> View:
    """Of a 30 Ah LFP pack of twelve at 10 A from a fifth to nine tenths; flat: share of the curve's rise; broken: a
    wire of group 4 lets go half an hour before the end."""
    seconds = int(0.7 * 30.0 / 10.0 * 3600.0)
    s = np.arange(seconds, dtype=np.int64)
    curve = chemistry("LFP").ocv
    volts = np.interp(20.0 + 70.0 * s / seconds, curve.soc_pct, curve.middle_v)
    volts = volts[0] + flat * (volts - volts[0])
    t = s * 1_000_000
    data: dict[Key, Series] = {("cell_voltage", k): Series(t, volts) for k in range(1, 13)}
    if broken:
        off = np.where(s > seconds - 1800, 1.6, 0.0)
        data["cell_voltage", 4] = Series(t, volts - 2.0 * off)
    data["pack_current", ""] = Series(t, np.full(seconds, -10.0))
    data["vehicle_speed", ""] = Series(t, np.zeros(seconds))
    return View("V", Signals("V", 0, seconds * 1_000_000, data), profile({"cells": 12, "rated_ah": 30.0}))


@pytest.mark.parametrize(
    ("flat", "broken", "verdict"), [(1.0, False, Word.HOLDS), (1.0, True, Word.HOLDS), (-1.0, False, Word.CONTRADICTED)]
)
def test_a_broken_wire_says_nothing_of_the_chemistry(flat: float, broken: bool, verdict: Word) -> None:
    [line] = hold_views(CHECKS[0], [charge(flat, broken)])
    assert line.verdict is verdict
