"""A front or rear motor is held against what it did itself, since makers share the braking as they like."""

from __future__ import annotations

from dataclasses import replace

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import fleet, one_session, record
from herdbook.pipeline.health.rule import Finding, NotAssessed
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.record import Event, Metric
from herdbook.pipeline.vehicle.role_table import Mapping as RoleMapping


def judged(*rides: list[tuple[float, float]], front_share: float | None = None) -> list[Finding] | NotAssessed:
    """One ride a day; of each braking the front and the rear motor's current. front_share: what the fleet's is."""
    sessions = []
    for day, pairs in enumerate(rides):
        events = [
            Event("braking", k * 60_000_000, k * 60_000_000 + 2_000_000, "", {"front_a": front, "rear_a": rear})
            for k, (front, rear) in enumerate(pairs, start=1)
        ]
        sessions.append(one_session(day, "ride", Metric("braking_count", len(events), "1"), *events))
    made = record(*sessions)
    usual = [m for m in made.profile.roles if m.role != "motor_current"]
    one = next(m for m in made.profile.roles if m.role == "motor_current")
    ends: list[RoleMapping] = [replace(one, item=end) for end in ("front", "rear")]
    made = replace(made, profile=replace(made.profile, roles=(*usual, *ends)))
    if front_share is not None:
        made = replace(made, reference=fleet(("braking_front_share", front_share, 0.03, "1")))
    return apply(all_rules()["regen_one_sided"], made)


SOUND, REAR_ALONE = [(6.0, 14.0)] * 5, [(0.1, 20.0)] * 5


def test_a_motor_that_gave_a_third_and_gives_nothing_now_is_told() -> None:
    said = judged(SOUND, SOUND, REAR_ALONE, REAR_ALONE)
    assert not isinstance(said, NotAssessed)
    (found,) = said
    assert found.item == "front"
    assert "30 %" in found.statement


@pytest.mark.parametrize(
    "rides",
    [
        [REAR_ALONE] * 4,  # as the maker made it
        [SOUND],
    ],
)
def test_without_a_past_in_which_both_braked_it_says_why_not(rides: list[list[tuple[float, float]]]) -> None:
    said = judged(*rides)
    assert isinstance(said, NotAssessed)
    assert "by design" in said.reason


def test_sound_brakings_one_odd_ride_and_gentle_brakings_are_quiet() -> None:
    assert judged(SOUND, SOUND, SOUND) == []
    assert judged(SOUND, SOUND, SOUND, [(0.1, 20.0)] * 7) == []  # a mode for one ride
    assert judged(SOUND, SOUND, SOUND, [(0.1, 8.0)] * 4, [(0.1, 8.0)] * 4) == []  # the front helps in hard ones alone


def test_the_fleet_says_what_is_usual_where_the_vehicle_has_no_past() -> None:
    said = judged(*[REAR_ALONE] * 4, front_share=0.3)
    assert not isinstance(said, NotAssessed)
    (found,) = said
    assert found.item == "front"
    assert "on other vehicles of this type it gives 30 %" in found.statement
    assert found.limit == pytest.approx(0.12)  # six spreads of 0.03 under 0.3: that was passed, and not what is usual
    assert found.persistence == 1.0


def test_how_often_a_motor_lacks_is_counted() -> None:
    """One braking in twenty fell into a corner."""
    said = judged([*REAR_ALONE, *REAR_ALONE[1:], (6.0, 14.0)], [*REAR_ALONE, *REAR_ALONE], front_share=0.3)
    assert not isinstance(said, NotAssessed)
    assert [f.persistence for f in said] == [pytest.approx(0.95)]


def test_a_share_like_the_fleets_is_quiet() -> None:
    assert judged(*[REAR_ALONE] * 4, front_share=0.01) == []  # as the maker made it
    assert judged(SOUND, SOUND, front_share=0.35) == []
    assert judged(*[[(3.2, 16.8)] * 5] * 4, front_share=0.3) == []  # less, but no half of it
    assert isinstance(judged(REAR_ALONE, front_share=0.3), NotAssessed)  # five in one ride are too few


def test_one_ride_unlike_the_fleet_is_not_called_sound() -> None:
    said = judged([*REAR_ALONE, *REAR_ALONE], front_share=0.3)  # a mode may be chosen for one ride
    assert isinstance(said, NotAssessed)
    assert "another ride is needed" in said.reason
    assert judged([*SOUND, *SOUND], front_share=0.3) == []
