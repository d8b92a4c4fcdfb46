"""Half cells and full cells of the makers against figures that others computed."""

from __future__ import annotations

import numpy as np
import pytest

from demo_logs.makers.curves import (
    POINTS,
    HalfCell,
    draw_curve,
    full_cell,
    graphite_chen,
    lfp_afshar,
    lfp_safari,
    lfp_srinivasan,
)


@pytest.mark.parametrize(
    ("half", "volts"),
    [(lfp_afshar, 3.39757), (lfp_safari, 3.43230), (lfp_srinivasan, 3.42631)],
    ids=["afshar", "safari", "srinivasan"],
)
def test_iron_phosphate_at_half_content(half: HalfCell, volts: float) -> None:
    """Read in public code and computed there for each of the three published functions."""
    assert float(half(np.array([0.5]))[0]) == pytest.approx(volts, abs=1e-5)


@pytest.mark.parametrize(
    ("soc", "volts"),
    [
        (0.0, 2.0),
        (0.1, 2.97809),
        (0.2, 3.16849),
        (0.3, 3.20582),
        (0.5, 3.26603),
        (0.7, 3.27403),
        (0.9, 3.31417),
        (1.0, 3.6),
    ],
)
def test_a_pair_in_the_window_of_a_published_set(soc: float, volts: float) -> None:
    """PyBaMM 26.10.1.1 prints these for its set Prada2013; the windows are those of that set."""
    curve = full_cell(lfp_afshar, graphite_chen, (0.7035020, 0.0037616), (0.0176179, 0.8100435))
    assert float(np.interp(soc, np.linspace(0, 1, POINTS), curve)) == pytest.approx(volts, abs=3e-4)


def test_drawn_curves_rise_and_differ_as_published_ones_do() -> None:
    """Published pairs lie 47 mV apart at half charge, 94 at a fifth, 252 at a tenth; drawn ones must reach as far."""
    curves = np.stack([draw_curve(np.random.default_rng(k)) for k in range(120)])
    assert (np.diff(curves, axis=1) >= 0).all()
    spread = {s: float(np.ptp(curves[:, round(s * (POINTS - 1))])) for s in (0.1, 0.2, 0.5)}
    assert spread[0.1] > 0.2
    assert spread[0.2] > 0.09
    assert 0.04 < spread[0.5] < 0.15
