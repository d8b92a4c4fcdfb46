"""A front or rear motor is held against what it did itself, since makers share the braking as they like."""

from __future__ import annotations

from dataclasses import replace

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.rule import Finding, NotAssessed
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.record import Event, Metric
from herdbook.pipeline.vehicle.role_table import Mapping as RoleMapping


def judged(*rides: list[tuple[float, float]]) -> list[Finding] | NotAssessed:
    """One ride a day; of each braking the front and the rear motor's current."""
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
    return apply(all_rules()["regen_one_sided"], replace(made, profile=replace(made.profile, roles=(*usual, *ends))))


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
