"""How far a sensor stands apart: what is told is known no worse than what each of its sessions shows."""

from __future__ import annotations

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import days, record
from herdbook.pipeline.health.rule import NotAssessed
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.record import Metric


@pytest.mark.parametrize(
    ("sessions", "told"),
    [
        ((9.4, 22.0), 9.4),  # their middle is 15.7 by Student's factor of two, give or take 64
        ((-9.4, -22.0), -9.4),
        ((9.4, 9.6), 9.5),
        ((9.4, 11.0, 22.0, 10.0, 9.8), 10.0),
    ],
)
def test_sessions_that_differ_much_are_told_by_the_least_of_them(sessions: tuple[float, ...], told: float) -> None:
    seen = [Metric("temp_missing_share", 0.0, "1", item=f"cell {k}") for k in (1, 2, 3)]
    rides = []
    for day, apart in enumerate(sessions):
        own = Metric("temp_apart_least_k", apart, "K", 0.3, 100, item="cell 2")
        rides += days(1, "ride", *seen, own, first=day)
    said = apply(all_rules()["temp_sensor_fault"], record(*rides))
    assert not isinstance(said, NotAssessed)
    (found,) = said
    assert found.measured == pytest.approx(told)
    assert found.se is not None
    assert abs(found.measured) - found.se > 5.0  # each session shows it past that by itself
