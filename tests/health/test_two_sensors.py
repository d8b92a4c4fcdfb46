"""Of two cell sensors apart neither outvotes the other: one finding, which says both causes."""

from __future__ import annotations

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import days, record
from herdbook.pipeline.health.rule import Finding, NotAssessed
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.record import Metric


def judged(*more: Metric, apart: float = 8.0, items: int = 2) -> list[Finding]:
    """Four rides in which cell 2 stands `apart` over the others."""
    seen = [Metric("temp_missing_share", 0.0, "1", item=f"cell {k}") for k in range(1, items + 1)]
    own = Metric("temp_apart_least_k", apart, "K", 0.1, 100, item="cell 2")
    twin = [Metric("temp_apart_least_k", -apart, "K", 0.1, 100, item="cell 1")] if items == 2 else []
    said = apply(all_rules()["temp_sensor_fault"], record(*days(4, "ride", *seen, own, *twin, *more)))
    assert not isinstance(said, NotAssessed)
    return said


def third(first: float, second: float) -> list[Metric]:
    return [Metric("temp_third_k", v, "K", 0.5, 9, item=f"cell {k}") for k, v in ((1, first), (2, second))]


@pytest.mark.parametrize("more", [[], third(0.2, 8.2)])
def test_the_warmer_one_is_told_with_heat_as_a_cause(more: list[Metric]) -> None:
    (found,) = judged(*more)
    assert found.item == "cell 2"
    assert "its place is warm, or one of the two reads wrong" in found.statement
    assert "infrared thermometer on the pack" in found.not_separable


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
