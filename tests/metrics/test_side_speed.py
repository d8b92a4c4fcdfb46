"""Left against right: a known difference under corners, and an interval that holds it."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import side_speed
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals


def ride(percent: float, seed: int, seconds: int = 600) -> dict[str, Metric]:
    """1000 rpm with corners of four seconds that part the sides by 5 % (sigma), the right one faster."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, seconds * 10) * 100_000
    corner = np.repeat(rng.normal(0, 0.05, seconds // 4), 40)
    left = 1000.0 * (1 - 0.5 * corner - percent / 200)
    right = 1000.0 * (1 + 0.5 * corner + percent / 200)
    signals = Signals(
        "x",
        0,
        seconds * 1_000_000,
        {("motor_speed", "left"): Series(t, left), ("motor_speed", "right"): Series(t, -right)},
    )
    found = side_speed.SET.compute(Session("x", "ride", signals.start, signals.end), signals, profile())
    return {m.name: m for m in found.metrics}


@pytest.mark.parametrize("percent", [0.0, 3.0, -3.0])
def test_a_smaller_wheel_stays_corners_even_out(percent: float) -> None:
    found = ride(percent, 1)
    m = found["speed_apart_pct"]
    assert m.se is not None
    assert m.value == pytest.approx(percent, abs=3 * m.se)
    assert m.n == 600
    assert found["speed_apart_p95_pct"].value == pytest.approx(9.8, rel=0.2)  # 1.96 x 5 %


def test_the_interval_is_honest() -> None:
    """Of 100 rides about 95 must lie within two standard errors."""
    hits = 0
    for seed in range(100):
        m = ride(2.0, seed)["speed_apart_pct"]
        hits += abs(m.value - 2.0) < 2 * (m.se or 0.0)
    assert 88 <= hits <= 99


def test_a_short_ride_says_nothing() -> None:
    assert ride(2.0, 1, seconds=56) == {}
