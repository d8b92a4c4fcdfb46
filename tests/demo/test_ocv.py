"""The open-circuit voltage against values that PyBaMM 26.10.1.1 prints for its set Prada2013
(published set, other code)."""

from __future__ import annotations

import numpy as np
import pytest

from demo_logs.simulator.cells import NEGATIVE, POSITIVE, graphite_v, iron_phosphate_v, ocv

PUBLISHED = (
    (0.0, 2.0),
    (0.1, 2.97809),
    (0.2, 3.16849),
    (0.3, 3.20582),
    (0.5, 3.26603),
    (0.7, 3.27403),
    (0.9, 3.31417),
    (1.0, 3.6),
)


@pytest.mark.parametrize(("soc", "volts"), PUBLISHED)
def test_ocv_equals_published_values(soc: float, volts: float) -> None:
    assert float(ocv(np.array([soc]))[0]) == pytest.approx(volts, abs=2e-4)


def test_window_conserves_lithium() -> None:
    """What leaves one electrode enters the other: the ratio of the windows is that of the electrodes'
    capacities, from thickness, active share and concentration of E. Prada et al., JES 160 (2013) A616."""
    negative, positive = 3.4e-5 * 0.58 * 30555, 8e-5 * 0.374 * 22806
    moved = (NEGATIVE[1] - NEGATIVE[0]) * negative
    assert (POSITIVE[0] - POSITIVE[1]) * positive == pytest.approx(moved, rel=1e-5)


def test_table_follows_the_functions_between_its_points() -> None:
    soc = np.random.default_rng(0).uniform(0.02, 0.999, 500)
    x = NEGATIVE[0] + soc * (NEGATIVE[1] - NEGATIVE[0])
    y = POSITIVE[0] + soc * (POSITIVE[1] - POSITIVE[0])
    np.testing.assert_allclose(ocv(soc), iron_phosphate_v(y) - graphite_v(x), atol=2e-4)


def test_ocv_rises() -> None:
    assert (np.diff(ocv(np.linspace(-0.02, 1.02, 3001))) > 0).all()
