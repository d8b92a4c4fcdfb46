"""A vehicle's own earlier brakings and rides as a yardstick: what a step is, and what a finding says of before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import days, profile, record
from herdbook.pipeline.health.rule import Finding, NotAssessed, Record
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.rules._example_brakings import braked, refused
from herdbook.pipeline.health.rules._own_step import own_step
from herdbook.pipeline.vehicle.record import Metric


def told(rule: str, of: Record) -> Finding:
    said = apply(all_rules()[rule], of)
    assert not isinstance(said, NotAssessed)
    (found,) = said
    return found


def test_what_scatters_alone_has_no_step() -> None:
    rng = np.random.default_rng(4)
    series = [rng.normal(0.1, 0.03, int(rng.integers(6, 40))) for _ in range(500)]
    assert sum(own_step(values, 3, 0.01, 6.0) is not None for values in series) <= 2
    risen = [np.append(v, rng.normal(0.4, 0.03, 3)) for v in series]
    assert sum(own_step(values, 3, 0.01, 6.0) is not None for values in risen) > 480


def test_a_brake_that_grew_weak_is_told_with_what_it_gave_before() -> None:
    found = told("regen_weak", braked(*[{}] * 20, *[refused("unreasoned", 14.0)] * 4))
    assert "the median of 4 braking events" in found.statement
    assert "In the 20 braking events before it was" in found.statement
    always = told("regen_weak", braked(*[refused("undelivered", 12.0)] * 12))
    assert "before" not in always.statement


@pytest.mark.parametrize(("wind", "said"), [(True, "winds that the rides tell are taken off"), (False, "not observed")])
def test_a_step_of_drag_says_of_wind_what_its_rides_told(wind: bool, said: str) -> None:
    own = [Metric("ride_head_wind", 0.0, "m/s", 0.8, 300)] if wind else []
    rides = []
    for first, value in ((0, 0.015), (6, 0.045)):
        rides += days(6, "ride", Metric("travel_rolling", value, "1", 0.003, 400), *own, first=first)
    assert told("drag_high", record(*rides)).statement.endswith(f"{said}.")


def test_a_load_counts_in_all_that_a_wind_adds() -> None:
    """Rides of twice the weight that the profile names, with 3 m/s from ahead: half of all shares, by hand."""
    parts = [Metric(name, 0.12, "1", 0.0075, 400) for name in ("ride_rolling", "travel_rolling")]
    parts += [Metric("ride_mass_kg", 190.0, "kg", 0.5, 20), Metric("ride_rolling_per_wind", 0.0045, "1")]
    parts.append(Metric("ride_head_wind", 3.0, "m/s", 0.05, 300))
    drive: dict[str, object] = {"torque_nm_per_a": 0.07, "motors": 2}
    figures: dict[str, object] = {"mass_kg": 95.0, "drag_area_m2": 0.6, "rolling": 0.014}
    found = told(
        "drag_high", replace(record(*days(12, "ride", *parts)), profile=replace(profile(drive=drive), vehicle=figures))
    )
    square = 1.2 * 0.6 / (95.0 * 9.80665)
    assert found.measured == pytest.approx((0.12 - 0.0045 * 3.0 - 0.5 * square * 9.0) / 2.0, abs=0.0003)
