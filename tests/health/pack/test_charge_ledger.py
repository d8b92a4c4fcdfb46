"""One account of charge: the sensor's zero, holes inside sessions, what the report says of gaps; errors add up."""

from __future__ import annotations

from typing import Any

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.pack.capacity import capacities
from herdbook.pipeline.health.pack.charge_ledger import ChargeLedger, sensor_zero
from herdbook.pipeline.health.pack.round_trip import round_trips
from herdbook.pipeline.health.rules.cold_charging import RULE
from herdbook.pipeline.times import HOUR
from herdbook.pipeline.vehicle.record import Event, Metric
from tests.health.pack.trips import full, session, soc


def part(day: float, ah: float, reported: tuple[float, float], *more: Event, coverage: float = 1.0) -> Any:
    """An hour's ride out of which ah came by the count."""
    run = Metric("pack_run_ah", ah, "Ah", None, 9000, coverage)
    return one_session(day, "ride", run, *soc(*reported), *more)


def anchor(item: str, at: int, pct: float, run: float) -> Event:
    return Event("charge_anchor", at, at, item, {"soc_pct": pct, "se_pct": 1.0, "run_ah": run})


def rides(gap_pct: float, rides: int = 9, whole_ah: float = 30.0) -> list[Any]:
    """Full, then so many rides down to 6 %, with gap_pct of charge ridden unseen between each two."""
    down = (94.0 - gap_pct * (rides - 1)) / rides
    out, at = [], 100.0
    for k in range(rides):
        ah = whole_ah * down / 100
        ends = [anchor("full", 0, 100.0, 0.0)] if k == 0 else []
        ends += [anchor("low", HOUR - 1, 6.0, ah)] if k == rides - 1 else []
        out.append(part(k / 4, ah, (at, at - down), *ends))
        at -= down + gap_pct
    return out


@pytest.mark.parametrize("gap_pct", [0.0, 0.8, 2.4])
def test_charge_ridden_unseen_is_no_lost_capacity(gap_pct: float) -> None:
    """Eight gaps of 0.8 % read 27.95 of 30 Ah, of 2.4 % 23.9, when each is let pass and none is added up."""
    (found,) = capacities(record(*rides(gap_pct)))
    assert found.ah == pytest.approx(30.0, abs=0.1)
    assert found.se > 0.3


def test_the_errors_of_many_gaps_add_up() -> None:
    few, many = (capacities(record(*rides(0.8, n)))[0].random_se for n in (3, 9))
    assert many > 1.2 * few


def test_small_gaps_are_owned_up_to() -> None:
    """0.4 % is within the report's step: not taken off, but eight of them may be 3.2 %."""
    (found,) = capacities(record(*rides(0.4)))
    assert abs(found.ah - 30.0) < 1.96 * found.se


def test_a_known_zero_is_taken_off_each_hour() -> None:
    zero = one_session(-1, "rest", Metric("pack_current_zero_a", 0.2, "A", 0.01, 300))
    (plain,) = capacities(record(*rides(0.0)))
    (known,) = capacities(record(zero, *rides(0.0)))
    assert plain.ah - known.ah == pytest.approx(100 / 94 * 0.2 * 9, rel=0.02)


def test_holes_inside_a_session_are_filled_and_uncertain() -> None:
    whole, holed = (ChargeLedger.of(record(part(0, 10.0, (100.0, 66.0), coverage=c)).metrics) for c in (1.0, 0.985))
    start = int(whole.start[0])
    a, b = (ledger.between(start, 0.0, start + HOUR, 10.0) for ledger in (whole, holed))
    assert a is not None
    assert b is not None
    assert b.out_ah - a.out_ah == pytest.approx(10.0 * 0.015, rel=0.1)
    assert b.se_ah > a.se_ah


def test_a_known_zero_changes_a_round_trip() -> None:
    """Two hours of charging, one of riding at 50 V: 0.5 A of zero take 50 Wh from the one, give 25 Wh to the other."""
    first = session(0, "charge", 0, 1500, full(0, 1500), *soc(3, 100))
    ride = session(1, "ride", 1025, 0, *soc(100, 30))
    last = session(2, "charge", 0, 1025, full(0, 1025), *soc(30, 100))
    zero = one_session(-1, "rest", Metric("pack_current_zero_a", 0.5, "A", 0.01, 300))
    plain = record(first, ride, last)  # type: ignore[arg-type]
    known = record(zero, first, ride, last)  # type: ignore[arg-type]
    (before,), _ = round_trips(plain.metrics, plain.events)
    (after,), _ = round_trips(known.metrics, known.events)
    assert before.value == pytest.approx(1.0, abs=0.01)
    assert after.value < before.value - 0.04
    assert after.se < before.se


def test_charge_in_the_cold_from_a_zero_error_is_none() -> None:
    """Eight hours at -0.3 A of zero are 2.4 Ah that never went in."""
    cold = one_session(
        1,
        "charge",
        Metric("cold_charge_ah", 2.4, "Ah", 0.05, 3000),
        Metric("cold_charge_s", 8 * 3600.0, "s", None, 3000),
        hours=8.0,
    )
    zero = one_session(0, "rest", Metric("pack_current_zero_a", -0.3, "A", 0.01, 300))
    assert apply(RULE, record(zero, cold)) == []
    assert apply(RULE, record(cold)) != []


def test_no_reading_of_the_zero() -> None:
    zero = sensor_zero(record(part(0, 10.0, (100.0, 66.0))).metrics)
    assert (zero.amps, zero.se) == (0.0, 0.05)
