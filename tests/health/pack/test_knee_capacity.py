"""Capacity by where the voltage falls off, counted from full by the report; coverage: tests/coverage/charge.py."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import ExampleSession, one_session, record
from herdbook.pipeline.health.pack.knee_capacity import knee_capacity
from herdbook.pipeline.health.rule import NotAssessed
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.times import HOUR
from herdbook.pipeline.vehicle.chemistry import ocv_of
from herdbook.pipeline.vehicle.record import Event, Metric

RATED = 30.0


def full(day: float, pct: float = 100.0) -> ExampleSession:
    return one_session(day, "charge", Metric("pack_soc_highest_pct", pct, "%", 0.5, 1))


def ride(day: float, held: float, left: tuple[float, ...], warm_c: float = 20.0, rate: float = 1.0) -> ExampleSession:
    """Moments with so much of its charge left in a pack that holds `held` of 30 Ah, its report counted from full."""
    ocv = ocv_of(record().profile.pack)
    assert ocv is not None
    said = 1.0 - (1.0 - np.array(left)) * held * rate
    events = []
    for k, z in enumerate(left):
        volts = float(np.interp(100.0 * z, ocv.soc_pct, ocv.middle_v))
        data = {"run_ah": RATED * float(said[0] - said[k]) / rate, "current_a": 3.0, "median_v": volts}
        data |= {"soc_pct": float(100.0 * said[k]), "load_known": 1.0, "se_mv": 2.0}
        events.append(Event("group_levels", k * HOUR // 8, k * HOUR // 8 + HOUR // 10, "load", data))
    metrics = [
        Metric("temp_lowest_c", warm_c, "degC", item="cell 1"),
        Metric("pack_run_ah", 5.0, "Ah", 0.05, 900, 1.0),
        Metric("pack_soc_start_pct", 60.0, "%", 0.5, 1),
        Metric("pack_soc_end_pct", 60.0 - rate * 500.0 / RATED, "%", 0.5, 1),
    ]
    return one_session(day, "ride", *metrics, *events)


@pytest.mark.parametrize("held", [0.65, 0.8, 1.0])
def test_it_is_what_was_counted_over_what_the_voltage_says_is_gone(held: float) -> None:
    found = knee_capacity(record(full(0), *(ride(d, held, (0.2, 0.1, 0.04)) for d in (1, 2))), 45.0)
    assert found is not None
    assert found.pct == pytest.approx(100.0 * held, abs=2.5)
    assert found.se < 8.0


def test_a_report_that_reckons_with_another_pack_is_taken_at_its_word() -> None:
    """Electronics set to a pack a quarter larger move their report by four fifths: the pack is as rated."""
    rides = [ride(d, 1.0, (0.2, 0.1, 0.04), rate=0.8) for d in (1, 2)]
    found = knee_capacity(record(full(0), *rides), 45.0)
    assert found is not None
    assert abs(found.pct - 100.0) < 1.96 * found.se


@pytest.mark.parametrize(
    "sessions",
    [
        [full(0), ride(1, 0.65, (0.8, 0.6, 0.4))],  # never near empty
        [full(0, 80.0), ride(1, 0.65, (0.2, 0.1, 0.04))],  # not counted from full
        [full(0), ride(40, 0.65, (0.2, 0.1, 0.04))],  # full too long ago
        [full(0), ride(1, 0.65, (0.2, 0.1, 0.04), warm_c=-5.0)],  # cold looks like empty
    ],
)
def test_without_a_foot_of_the_curve_or_a_count_nothing_is_said(sessions: list[ExampleSession]) -> None:
    assert knee_capacity(record(*sessions), 45.0) is None


def test_the_rule_says_what_the_report_hid() -> None:
    said = apply(all_rules()["pack_capacity_low"], record(full(0), *(ride(d, 0.6, (0.2, 0.1, 0.04)) for d in (1, 2))))
    assert not isinstance(said, NotAssessed)
    (found,) = said
    assert found.severity == "service"
    assert "still said" in found.statement
    sound = apply(all_rules()["pack_capacity_low"], record(full(0), *(ride(d, 1.0, (0.2, 0.1, 0.04)) for d in (1, 2))))
    assert sound == []
