"""Of two cell sensors apart neither outvotes the other: one finding, which says both causes."""

from __future__ import annotations

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import days, record
from herdbook.pipeline.health.rule import Finding, NotAssessed, Record
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.record import Metric


def judged(*more: Metric, apart: float = 8.0, items: int = 2) -> list[Finding]:
    """Four rides in which cell 2 stands `apart` over the others."""
    seen = [Metric("temp_missing_share", 0.0, "1", item=f"cell {k}") for k in range(1, items + 1)]
    own = Metric("temp_apart_least_k", apart, "K", 0.1, 100, item="cell 2")
    twin = [Metric("temp_apart_least_k", -apart, "K", 0.1, 100, item="cell 1")] if items == 2 else []
    found = apply(all_rules()["temp_sensor_fault"], record(*days(4, "ride", *seen, own, *twin, *more)))
    assert not isinstance(found, NotAssessed)
    return found


def third(first: float, second: float) -> list[Metric]:
    return [Metric("temp_third_k", v, "K", 0.5, 9, item=f"cell {k}") for k, v in ((1, first), (2, second))]


@pytest.mark.parametrize("more", [[], third(0.2, 8.2)])
def test_the_warmer_one_is_told_with_heat_as_a_cause(more: list[Metric]) -> None:
    (found,) = judged(*more)
    assert found.item == "cell 2"
    assert "its place is warm, or one of the two reads wrong" in found.statement
    assert found.severity is Severity.STOP_USE  # it may be heat, and then it is a hazard
    assert "independent thermometer on the pack" in found.not_separable
    assert "qualified person" in found.not_separable


def outside(*over: float | None, warm: float = 8.0) -> Record:
    """Rides on so many days: cell 2 `warm` over cell 1, and that `over` motors, stages and air, where these agree."""
    seen = [Metric("temp_missing_share", 0.0, "1", item=f"cell {k}") for k in (1, 2)]
    apart = [Metric("temp_apart_least_k", k * warm, "K", 0.1, 100, item=f"cell {i}") for i, k in ((1, -1.0), (2, 1.0))]
    sessions = []
    for day, k in enumerate(over):
        both = [] if k is None else [(1, k), (2, k + warm)]
        stands = [Metric("temp_over_outside_k", v, "K", 0.5, 9, item=f"cell {i}") for i, v in both]
        sessions += days(1, "ride", *seen, *apart, *stands, Metric("cell_temp_max_c", 30.0, "degC"), first=day)
    return record(*sessions)


def said(rule: str, of: Record) -> list[Finding]:
    found = apply(all_rules()[rule], of)
    return [] if isinstance(found, NotAssessed) else found


@pytest.mark.parametrize("over", [(5.7, 6.6, 7.2), (3.6, 4.0, 3.7), (7.5, None, None)])
def test_a_place_that_stays_warm_in_a_warm_pack_is_heat_and_no_sensor(over: tuple[float | None, ...]) -> None:
    """9 W in one place of a pack that loses 1.9 W/K: 9 / 1.9 = 4.7 K for the rest of it, by its sensors' errors."""
    of = outside(*over)
    (found,) = said("heat_without_load", of)
    assert found.severity is Severity.STOP_USE
    assert found.item == "sensor 2"
    assert found.measured == pytest.approx(min(k for k in over if k is not None))
    assert "independent thermometer" in found.not_separable
    assert not said("temp_sensor_fault", of)


def test_a_sensor_that_reads_high_beside_one_at_the_air_is_a_sensor() -> None:
    of = outside(0.3, 5.0, 4.0)  # once warm from use, and cold on another day
    assert not said("heat_without_load", of)
    (found,) = said("temp_sensor_fault", of)
    assert found.severity is Severity.SERVICE
    assert "reads wrong" in found.statement


def test_between_the_two_both_are_named_with_the_graver_word() -> None:
    of = outside(2.2, 2.6, 2.4)
    assert not said("heat_without_load", of)
    (found,) = said("temp_sensor_fault", of)
    assert found.severity is Severity.STOP_USE
    assert "its place is warm, or one of the two reads wrong" in found.statement


def frozen_beside(times: float, went: float) -> Record:
    """Three rides: the twin, which warms `times` as much, went so far, and the sensor did not move."""
    parts = [
        Metric("temp_missing_share", 0.0, "1", item="motor front"),
        Metric("temp_moved_share", 0.01, "1", n=20, item="motor front"),
        Metric("temp_lowest_c", 15.0, "degC", item="motor rear"),
        Metric("temp_highest_c", 15.0 + went, "degC", item="motor rear"),
        Metric("winding_side_ratio", times, "1", 1.0, 100, item="rear"),
    ]
    return record(*days(3, "ride", *parts))


def test_a_winding_far_cooler_than_its_twin_stands_still_by_what_it_should_warm_itself() -> None:
    assert not said("temp_sensor_fault", frozen_beside(13.0, 20.0))
    (found,) = said("temp_sensor_fault", frozen_beside(13.0, 60.0))
    assert "stood still" in found.statement
    assert said("temp_sensor_fault", frozen_beside(1.1, 20.0))


@pytest.mark.parametrize(("rule", "family"), [("winding_hot", "motor"), ("power_stage_hot", "fet")])
def test_a_shorted_sensor_of_the_drive_is_a_sensor_and_no_heat(rule: str, family: str) -> None:
    def parts(rail: float) -> list[Metric]:
        tops = [Metric(f"{family}_temp_max_c", c, "degC", n=300, item=i) for i, c in (("left", 210.0), ("right", 60.0))]
        apart = Metric(f"{family}_temp_apart_k", 150.0, "K", n=300)
        seen = [Metric("temp_missing_share", 0.0, "1", item=f"{family} {i}") for i in ("left", "right")]
        return [*tops, apart, *seen, Metric("temp_rail_share", rail, "1", n=300, item=f"{family} left")]

    shorted, hot = (record(*days(4, "ride", *parts(rail))) for rail in (0.9, 0.0))
    assert not said(rule, shorted)
    assert [f.item for f in said("temp_sensor_fault", shorted)] == [f"{family} left"]
    assert [f.item for f in said(rule, hot)] == ["left"]


def test_where_the_vehicle_agrees_with_the_warmer_one_the_colder_one_is_wrong() -> None:
    (found,) = judged(*third(-8.1, -0.1))
    assert found.item == "cell 1"
    assert found.measured == pytest.approx(-8.0)


def test_a_broken_sensor_says_nothing_of_its_twin() -> None:
    (found,) = judged(Metric("temp_rail_share", 0.9, "1", 0.1, 100, item="cell 2"), apart=100.0)
    assert (found.item, found.unit) == ("cell 2", "1")


def test_three_outvote_one() -> None:
    (found,) = judged(items=4)
    assert "its siblings" in found.statement
