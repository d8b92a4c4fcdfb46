"""A lone cell sensor is frozen only when board and air have changed from day to day and it has not."""

from __future__ import annotations

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import days, record
from herdbook.pipeline.health.rule import Finding, NotAssessed
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.record import Metric


def judged(boards: list[tuple[float, float]], airs: list[tuple[float, float]]) -> list[Finding]:
    """Rides on days running, the only cell sensor at 14 degC in all of them; coldest and warmest of board and air."""
    sessions = []
    for day, spans in enumerate(zip(boards, airs, strict=True)):
        levels = [
            Metric("temp_lowest_c", 14.0, "degC", item="cell 1"),
            Metric("temp_highest_c", 14.0, "degC", item="cell 1"),
        ]
        for name, (low, high) in zip(("board", "air"), spans, strict=True):
            levels += [
                Metric("temp_lowest_c", low, "degC", item=name),
                Metric("temp_highest_c", high, "degC", item=name),
            ]
        sessions += days(1, "ride", *levels, Metric("temp_missing_share", 0.0, "1", item="cell 1"), first=day)
    said = apply(all_rules()["temp_sensor_fault"], record(*sessions))
    assert not isinstance(said, NotAssessed)
    return said


@pytest.mark.parametrize("rides", [1, 2, 6])
def test_a_board_that_warms_with_every_ride_says_nothing_of_a_pack(rides: int) -> None:
    assert not judged([(14.5, 28.0)] * rides, [(9.0, 19.0)] * rides)


def test_air_that_changes_beside_a_heated_room_says_nothing_either() -> None:
    assert not judged([(15.0, 25.0)] * 5, [(2.0, 9.0), (8.0, 9.0), (0.0, 3.0), (5.0, 6.0), (12.0, 13.0)])


def test_what_all_of_the_vehicle_went_through_and_the_sensor_did_not() -> None:
    places = [(6.0, 15.0), (11.0, 20.0), (17.0, 27.0), (9.0, 18.0), (14.0, 25.0)]
    (found,) = judged(places, [(low - 2.0, low) for low, _ in places])
    assert found.item == "cell 1"
    assert "the rest of the vehicle went over" in found.statement
