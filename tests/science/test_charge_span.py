"""A charge to full tells what a pack holds, by where on its curve it began; what tells nothing has a large error."""

from __future__ import annotations

import numpy as np
import pytest

from demo_logs.simulator.cells import ocv  # as PyBaMM prints it for its set Prada2013: tests/demo/test_ocv.py
from herdbook.pipeline.science.charge_span import Stretch, held_by
from herdbook.pipeline.science.half_cells import CHARGE, possible_curves


def charge(held: float, begin: float, rate: float, drop: float) -> Stretch:
    """From `begin` to full at `rate` of the rated charge an hour, read every 3 % of it up to 4 % short of full."""
    put = np.arange(0.015, (1.0 - begin) * held - 0.04, 0.03)
    volts = ocv(begin + put / held) + 0.4 * drop  # so much more than usual
    full = ((1.0 - begin) * held, 1.0, 0.01)
    return Stretch(put, put / rate * 3600.0, volts, np.full(put.size, drop), np.zeros(put.size, bool), full)


@pytest.mark.parametrize("held", [0.6, 0.75, 1.0])
@pytest.mark.parametrize("begin", [0.05, 0.12])
def test_capacity_from_low_to_full(held: float, begin: float) -> None:
    found = held_by(charge(held, begin, 0.25, 0.015))
    print(f"true {held}, found {found.capacity:.3f} +- {found.se:.3f}, begun at {begin}, found {found.begin:.3f}")
    assert abs(found.capacity - held) < 2.0 * found.se
    assert found.se < 0.08
    assert found.begin == pytest.approx(begin, abs=0.1)


def test_a_flat_stretch_tells_next_to_nothing() -> None:
    found = held_by(charge(0.75, 0.6, 0.25, 0.015))
    assert found.se > 0.12


def test_a_curve_that_no_such_cell_has_does_not_fit() -> None:
    """Of a straight line, as some other chemistries have it, nothing is told."""
    put = np.arange(0.015, 0.8, 0.03)
    line = Stretch(put, put * 14400.0, 3.0 + put, np.full(put.size, 0.015), np.zeros(put.size, bool), (0.85, 1.0, 0.01))
    assert held_by(line).misfit > 2.0


def test_possible_curves_rise_and_differ() -> None:
    curves = possible_curves()
    assert (np.diff(curves, axis=1) >= 0.0).all()
    # published cells lie 252 mV apart at a tenth and 47 mV at half charge (tests/demo/makers/test_curves.py)
    assert np.ptp(curves[:, np.searchsorted(CHARGE, 0.1)]) > 0.25
    assert np.ptp(curves[:, np.searchsorted(CHARGE, 0.5)]) > 0.047
