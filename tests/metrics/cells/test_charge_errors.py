"""Errors of counted charge, by hand: 1 % of gain and 0.05 A of zero, as pack_energy states them."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import charge, pack_anchors, pack_cycles
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals


@pytest.fixture(scope="module")
def found() -> dict[str, Metric]:
    """Two hours of charging with 10 A: 20 Ah, two thirds of 30 Ah."""
    t = np.arange(0, 7200, 1, dtype=np.int64) * 1_000_000
    data = {("cell_voltage", k): Series(t, np.full(t.size, 3.3)) for k in (1, 2, 3)}
    signals = Signals("x", 0, 7_200_000_000, data | {("pack_current", ""): Series(t, np.full(t.size, -10.0))})
    sets = (charge, pack_anchors, pack_cycles)
    session = Session("x", "charge", 0, signals.end)
    return {m.name: m for s in sets for m in s.SET.compute(session, signals, profile()).metrics if not m.item}


@pytest.mark.parametrize(
    ("name", "value", "se"),
    [
        ("pack_run_ah", -20.0, np.hypot(0.2, 0.1)),
        ("pack_depth_pct", 66.67, np.hypot(0.6667, 100 * 0.1 / 30)),
        ("charge_mean_a", 10.0, np.hypot(0.1, 0.05)),
    ],
)
def test_gain_and_zero_of_the_sensor(name: str, value: float, se: float, found: dict[str, Metric]) -> None:
    assert found[name].value == pytest.approx(value, rel=1e-3)
    assert found[name].se == pytest.approx(se, rel=1e-3)
