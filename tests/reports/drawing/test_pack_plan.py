"""The pack seen from above: a sensor stands in its place with what it read; a plan that cannot be is refused."""

from __future__ import annotations

import pytest

from herdbook.pipeline.reports.drawing.pack_plan import pack_plan
from herdbook.pipeline.vehicle.figures import PackFigures

PLAN = ["1 2 T1", "3 . T2"]


def test_each_sensor_stands_in_its_place_with_reading_and_difference() -> None:
    [table] = pack_plan(PackFigures({"plan": PLAN}).plan, {"1": 31.24, "2": 27.0}, 28.0, "1")
    assert table.head == ("Row", "1", "2", "3")
    assert [tuple(text.replace("\u00a0", " ") for text in row) for row in table.body] == [
        ("1", "group 1", "group 2", "sensor 1: 31.2 °C, +3.2 K (hottest)"),
        ("2", "group 3", "", "sensor 2: 27.0 °C, −1.0 K"),
    ]


def test_without_a_plan_or_a_reading_of_it_there_is_none() -> None:
    assert pack_plan((), {"1": 30.0}, 28.0, "") == []
    assert pack_plan(PackFigures({"plan": PLAN}).plan, {"7": 30.0}, 28.0, "") == []
    [table] = pack_plan(PackFigures({"plan": PLAN}).plan, {"2": 27.0}, 28.0, "")
    assert table.body[0][3] == "sensor 1: no reading"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (PLAN, ""),
        ("1 T1", "a row of texts"),
        ([], "a row of texts"),
        ([""], "a row of texts"),
        (["1 T1", "2"], "each with as many places"),
        (["1 T1", "1 ."], "1 stands there twice"),
        (["1 TX"], "TX is none of them"),
        (["0 T1"], "0 is none of them"),
        (["1 2"], "a plan with a sensor"),
        ([1, 2], "a row of texts"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_in_words(given: object, said: str) -> None:
    assert said in PackFigures.plan.wrong(given)
    assert bool(PackFigures.plan.wrong(given)) == bool(said)
