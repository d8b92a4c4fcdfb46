"""Charges that end at one reported charge: a device's doing when they agree to the report's step, a hand's when not."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.examples import ExampleSession, one_session, record
from herdbook.pipeline.health.pack.charge_ceiling import ceiling
from herdbook.pipeline.times import HOUR
from herdbook.pipeline.vehicle.record import Event, Metric


def charge(
    day: float, pct: float, end_a: float = 12.0, end: str = "unplugged", said: float | None = None
) -> ExampleSession:
    """Reported in steps of half a per cent, from some charge or other (said) up to pct."""
    begins = 40.0 + 0.5 * (day % 7) if said is None else said
    started = Metric("pack_soc_start_pct", begins, "%", 0.5, 1)
    event = Event("charge", 0, HOUR, end, {"end_a": end_a, "end_highest_v": 3.38, "end_median_v": 3.37})
    return one_session(day, "charge", started, Metric("pack_soc_highest_pct", pct, "%", 0.5, 1), event)


def test_ends_that_agree_are_counted_back_from_the_newest() -> None:
    found = ceiling(record(charge(0, 99.0), charge(1, 70.0), charge(2, 70.5), charge(3, 70.0)), 45.0)
    assert found is not None
    assert found.charges == 3
    assert found.pct == pytest.approx(70.0)
    assert found.before == 1
    # by hand: range of three within 5 % of ten, 3 r^2 - 2 r^3; twenty riders a device; one of one was full before
    odds = 20.0 * (3 * 0.05**2 - 2 * 0.05**3) * (1 / 3) * (2 / 4) * (3 / 5)
    assert found.chance == pytest.approx(odds / (1 + odds))


def test_the_next_session_tells_how_a_charge_ended() -> None:
    """The report is seldom told: the last one in the charge lags by a few tenths."""
    rest = Metric("pack_soc_start_pct", 70.1, "%", 0.5, 1)
    after = [one_session(d + 1 / 24 + 0.002, "rest", rest) for d in (0, 3, 6)]
    charges = [charge(d, pct) for d, pct in ((0, 69.6), (3, 68.9), (6, 69.3))]
    held = record(*(x for pair in zip(charges, after, strict=True) for x in pair))
    found = ceiling(held, 45.0)
    assert found is not None
    assert found.spread == pytest.approx(0.0)


@pytest.mark.parametrize(
    "ends",
    [
        [charge(0, 80.0), charge(1, 76.0), charge(2, 83.0)],
        [charge(0, 70.0), charge(1, 70.8)],  # two, and no closer than that
        [charge(d, p) for d, p in enumerate((77.0, 83.0, 78.0, 81.0, 83.0, 83.5, 83.0))],  # a hand that often stays
        [charge(0, 98.0), charge(1, 98.0), charge(2, 98.0)],  # as good as full
        [charge(d, 88.0, end_a=0.5) for d in range(3)],  # tapered: full, whatever is reported
        [charge(d, 70.0, end="group_limit") for d in range(3)],  # one group ended them
        [charge(0, 70.0)],
    ],
    ids=["by hand", "two apart", "some alike", "full", "tapered", "one group", "one"],
)
def test_other_ends_say_nothing(ends: list[ExampleSession]) -> None:
    assert ceiling(record(*ends), 45.0) is None


def test_hands_seldom_look_like_a_device() -> None:
    """Ends drawn anywhere over ten per cent: four in a row agree in no more records than the stated chance allows."""
    rng = np.random.default_rng(5)
    stated, seen = [], 0
    for _ in range(150):
        ends = np.round(rng.uniform(75.0, 85.0, 4), 1)
        found = ceiling(record(*(charge(d, float(p)) for d, p in enumerate(ends))), 45.0)
        if found is not None and found.charges == 4:
            seen += 1
            stated.append(found.chance)
    assert seen <= 6
    assert all(chance < 0.02 for chance in stated)


def seen_later(day: float, pct: float, fell: float = 4.0) -> ExampleSession:
    """A ride that begins with so much reported: what the charge before it, which nobody recorded, had left."""
    said = Metric("pack_soc_start_pct", pct, "%", 0.5, 1), Metric("pack_soc_end_pct", pct - fell, "%", 0.5, 1)
    return one_session(day, "ride", *said, Metric("pack_soc_highest_pct", pct, "%", 0.5, 1))


def test_charges_that_nobody_recorded_count_by_where_the_next_session_begins() -> None:
    """One recorded charge to 70 %, and rides of which two begin there again: nothing else tells of a charge."""
    rides = [seen_later(d, pct) for d, pct in ((3, 70.0), (4, 66.0), (6, 70.5), (8, 61.0), (10, 70.0))]
    found = ceiling(record(charge(0, 70.0), *rides), 45.0)
    assert found is not None
    assert (found.charges, found.unseen) == (3, 2)
    assert found.pct == pytest.approx(70.0, abs=0.3)
    assert found.chance < 0.1


@pytest.mark.parametrize(
    "rides",
    [
        [seen_later(3, 78.0), seen_later(6, 74.0), seen_later(9, 80.0)],  # by hand
        [seen_later(3, 70.0), seen_later(6, 99.0), seen_later(9, 70.0)],  # it has gone to full since
        [seen_later(3, 70.0), seen_later(6, 88.0), seen_later(9, 64.0)],  # and once further
        [seen_later(3, 70.5)],  # one is chance
    ],
    ids=["by hand", "full since", "further since", "one"],
)
def test_unseen_charges_that_end_elsewhere_say_nothing(rides: list[ExampleSession]) -> None:
    assert ceiling(record(charge(0, 70.0), *rides), 45.0) is None


def test_who_always_charged_to_full_is_believed_sooner() -> None:
    """Two ends in whole per cent: among many riders who pull the plug a coincidence, after four full charges none."""
    two = [charge(d, 70.0, said=40.0 + d) for d in (10, 11)]
    assert ceiling(record(*two), 45.0) is None
    found = ceiling(record(*(charge(d, 100.0, end_a=0.5, said=40.0 + d) for d in range(4)), *two), 45.0)
    assert found is not None
    assert (found.charges, found.before) == (2, 4)


def test_unseen_charges_before_the_recorded_one_count_as_well() -> None:
    rides = [seen_later(d, pct) for d, pct in ((0, 70.0), (2, 70.5), (4, 66.0))]
    lower = seen_later(-2, 45.0)
    found = ceiling(record(lower, *rides, charge(6, 70.0)), 45.0)
    assert found is not None
    assert (found.charges, found.unseen) == (3, 2)


def test_a_charge_whose_session_ends_with_its_current_has_ended_where_the_record_goes_on() -> None:
    """The current ends, and with it the session; a rest follows at once. Where nothing follows, it may have gone on."""
    charges = [charge(d, 70.0, end="still_charging") for d in range(4)]
    rests = [one_session(d + 1 / 24 + 0.001, "rest", Metric("pack_soc_start_pct", 70.0, "%", 0.5, 1)) for d in range(3)]
    assert ceiling(record(*charges), 45.0) is None
    found = ceiling(record(*charges, *rests), 45.0)
    assert found is not None
    assert found.charges == 3


def test_a_recorded_charge_is_not_counted_again_by_the_rest_that_follows_it() -> None:
    rest = one_session(1 / 24 + 0.002, "rest", Metric("pack_soc_start_pct", 70.0, "%", 0.5, 1))
    assert ceiling(record(charge(0, 70.0), rest, seen_later(3, 70.0)), 45.0) is None


def test_unseen_ends_by_hand_look_like_a_device_no_more_often_than_stated() -> None:
    rng = np.random.default_rng(11)
    seen = 0
    for _ in range(150):
        ends = np.round(rng.uniform(75.0, 85.0, 6), 1)
        rides = [seen_later(3.0 * d, float(p), fell=20.0) for d, p in enumerate(ends[1:], 1)]
        seen += ceiling(record(charge(0, float(ends[0])), *rides), 45.0) is not None
    assert seen <= 6  # 1 in 100 is stated
