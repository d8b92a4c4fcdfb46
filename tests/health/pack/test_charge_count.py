"""How far the reported charge moves for what is counted: rounding, resets and a change on the way."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.pack.charge_count import count_by_direction, count_slowed, moved
from herdbook.pipeline.health.rule import NotAssessed
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.record import Metric
from tests.health.pack.trips import soc

RATED = 30.0


def ride(day: float, ah: float, first: float, last: float, coverage: float = 1.0) -> Any:
    return one_session(day, "ride", Metric("pack_run_ah", ah, "Ah", 0.05, 900, coverage), *soc(first, last))


def rides(share: float, n: int, seed: int = 1, step: float = 1.0, day: float = 0.0) -> list[Any]:
    """Rides of 1 to 4 Ah whose report falls by that share of what flows, rounded to its step."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(n):
        ah, first = rng.uniform(1.0, 4.0), rng.uniform(40.0, 90.0)
        last = first - share * 100.0 * ah / RATED
        out.append(ride(day + k / 4, ah, step * round(first / step), step * round(last / step)))
    return out


@pytest.mark.parametrize("share", [0.74, 1.0, 1.4])
@pytest.mark.parametrize("step", [0.1, 1.0])
def test_the_interval_holds_the_truth(share: float, step: float) -> None:
    """The stated 95 % interval of rounded reports covers at its word or more."""
    inside = 0
    for seed in range(60):
        found = moved(record(*rides(share, 8, seed, step)), 45.0)
        assert found is not None
        inside += abs(found.value - share) < 1.96 * found.se
    assert inside >= 54


def test_a_report_set_right_within_a_ride_does_not_count() -> None:
    jump = ride(2.1, 1.5, 60.0, 20.0)  # an empty group took it down
    found = moved(record(*rides(1.0, 8), jump, *rides(1.0, 4, 2, day=3.0)), 45.0)
    assert found is not None
    assert found.value == pytest.approx(1.0, abs=0.06)


def test_what_holds_now_is_told_when_the_count_changed() -> None:
    found = moved(record(*rides(1.0, 10), *rides(0.7, 8, 2, day=5.0)), 45.0)
    assert found is not None
    assert found.value == pytest.approx(0.7, abs=0.05)


@pytest.mark.parametrize(
    "sessions",
    [
        [ride(0, 4.0, 100.0, 90.0), ride(1, 4.0, 14.0, 0.0)],  # at its stops
        [ride(0, 0.3, 60.0, 59.0), ride(1, 0.4, 59.0, 58.0)],  # too little flowed
        [ride(0, 6.0, 60.0, 45.0, coverage=0.9)],  # seconds are missing
    ],
)
def test_what_says_nothing_is_left_out(sessions: list[Any]) -> None:
    assert moved(record(*sessions), 45.0) is None


def test_one_ride_read_by_its_steps_tells_what_rounded_ends_do_not() -> None:
    """Five per cent flowed: both ends in whole per cents are too little to judge by, the steps between them are not."""
    ends = ride(0, 1.5, 60.0, 56.0)
    assert moved(record(ends), 45.0) is None
    run, *said = Metric("pack_run_ah", 1.5, "Ah", 0.05, 900, 1.0), *soc(60.0, 56.0)
    share, over = (
        Metric("pack_soc_moved_share", 0.74, "1", 0.005, 4),
        Metric("pack_soc_moved_over_pct", 4.5, "%", None, 4),
    )
    found = moved(record(one_session(0, "ride", run, *said, share, over)), 45.0)
    assert found is not None
    assert found.value == pytest.approx(0.74)
    assert found.se < 0.05


def test_a_count_that_has_become_slower_is_known_whatever_the_capacity_is() -> None:
    """The pack of a small capacity: it moved by 1.16 of what the rated one asks for, and by 18 % less since."""
    found = count_slowed(record(*rides(1.16, 10), *rides(0.82 * 1.16, 8, 2, day=5.0)), 45.0)
    assert found is not None
    assert found.share == pytest.approx(0.82, abs=1.96 * found.se)
    assert found.se < 0.03
    assert (found.before, found.now.count) == (10, 8)


def test_a_report_that_stands_still_since_is_told() -> None:
    """Its share is nought to the digit: nothing may be divided by it."""
    held = record(*rides(1.0, 10), *rides(0.0, 8, 2, day=5.0))
    slowed = count_slowed(held, 45.0)
    assert slowed is not None
    assert (slowed.share, slowed.before) == (0.0, 10)
    assert 0.0 < slowed.se < 0.05
    said = apply(all_rules()["soc_off"], held)
    assert not isinstance(said, NotAssessed)
    assert [f.measured for f in said] == [pytest.approx(100.0, abs=5.0)]


@pytest.mark.parametrize("later", [rides(1.0, 2, 2, day=5.0), rides(0.7, 1, 2, day=5.0)], ids=["steady", "one since"])
def test_no_certain_step_is_no_slowing(later: list[Any]) -> None:
    assert count_slowed(record(*rides(1.0, 10), *later), 45.0) is None


def test_steady_counts_seldom_look_slowed() -> None:
    found = [count_slowed(record(*rides(1.0, 16, seed, 0.5)), 45.0) for seed in range(60)]
    assert sum(f is not None and 1.0 - f.share > 3.0 * f.se for f in found) == 0


def charges(share: float, days: list[float], seed: int = 7) -> list[Any]:
    rng = np.random.default_rng(seed)
    out = []
    for day in days:
        ah, first = rng.uniform(5.0, 9.0), rng.uniform(30.0, 50.0)
        said = (
            Metric("pack_run_ah", -ah, "Ah", 0.05, 900, 1.0),
            *soc(round(first), round(first + share * 100 * ah / RATED)),
        )
        out.append(one_session(day, "charge", *said))
    return out


def test_a_count_that_differs_by_direction_is_no_change_in_time() -> None:
    """A fifth less in charges than in rides, now the one and now the other, from the first day on."""
    seen = record(*rides(1.0, 16), *charges(0.8, [0.6 + k / 2 for k in range(6)]))
    ways, whole = count_by_direction(seen, 45.0), moved(seen, 45.0)
    assert ways is not None
    assert whole is not None
    assert abs(ways.share - 0.8) < 1.96 * ways.se + 0.02
    assert whole.value == pytest.approx(1.0, abs=0.05)  # what a rider goes by
    assert count_slowed(seen, 45.0) is None
    said = apply(all_rules()["soc_off"], seen)
    assert not isinstance(said, NotAssessed)
    assert [f.item for f in said] == ["charges"]


def test_rides_before_and_charges_after_are_told_as_a_change() -> None:
    """Nobody can tell a direction from a day where all rides came first."""
    seen = record(*rides(1.0, 8), *charges(0.8, [3.0 + k / 2 for k in range(6)]))
    assert count_by_direction(seen, 45.0) is None
    assert count_slowed(seen, 45.0) is not None


def test_reports_that_count_alike_are_not_told_apart() -> None:
    for seed in range(60):
        seen = record(*rides(1.0, 12, seed), *charges(1.0, [0.6 + k / 2 for k in range(5)], seed))
        assert count_by_direction(seen, 45.0) is None
