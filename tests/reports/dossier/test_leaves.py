"""A leaf of the dossier is one file: it is found by lying in the folder, and what it lacks is said in so many words."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType
from typing import Any

import polars as pl
import pytest

from herdbook.pipeline.reports.dossier.leaves import all_leaves, in_order
from herdbook.pipeline.reports.drawing.sensors import sensors
from herdbook.pipeline.reports.facts import one_vehicle
from herdbook.pipeline.reports.page.blocks import Drawn, Leaf, PageTable
from herdbook.pipeline.store.store import Store


def module(name: str = "tyres", **held: Any) -> ModuleType:
    """A leaf's module with everything it needs, but for what held says otherwise; None: it is not there."""
    made = ModuleType(f"leaves.{name}", "The tyres.")
    whole: dict[str, Any] = {"ORDER": 5, "leaf": lambda store, con, facts: Leaf("tyres", "Tyres")} | held
    for key, value in whole.items():
        if value is not None:
            setattr(made, key, value)
    return made


def test_every_file_of_the_folder_is_a_leaf_and_they_keep_their_order() -> None:
    assert list(all_leaves())[:3] == ["cells", "group_curves", "pack"]
    assert list(all_leaves())[-2:] == ["all_figures", "provenance"]


@pytest.mark.parametrize("name", all_leaves())
def test_a_leaf_has_a_title_and_something_to_say_of_any_vehicle(store: Store, name: str) -> None:
    """Also when it has nothing to show: then it says why."""
    with store.read() as con:
        made = all_leaves()[name](store, con, one_vehicle(con, "VX-015", "UTC"))
    assert isinstance(made, Leaf), f"dossier/leaves/{name}.py: leaf() must give a Leaf"
    assert made.title, f"dossier/leaves/{name}.py: its Leaf has no title"
    assert made.blocks, f"dossier/leaves/{name}.py: nothing is shown and no Note says why"


def test_no_two_leaves_share_an_anchor(store: Store) -> None:
    with store.read() as con:
        facts = one_vehicle(con, "VX-014", "UTC")
        anchors = [make(store, con, facts).id for make in all_leaves().values()]
    assert len(set(anchors)) == len(anchors)


def test_leaves_are_read_in_the_order_they_ask_for() -> None:
    assert list(in_order([module("last", ORDER=9), module("first", ORDER=1)])) == ["first", "last"]


@pytest.mark.parametrize(
    ("lacking", "said"),
    [
        ({"ORDER": None}, r"tyres\.py lacks ORDER, a whole number"),
        ({"ORDER": "5"}, r"tyres\.py lacks ORDER, a whole number"),
        ({"leaf": None}, r"tyres\.py lacks leaf\(store, con, facts\)"),
        ({"leaf": lambda facts: None}, r"tyres\.py lacks leaf\(store, con, facts\)"),
        ({"__doc__": ""}, r"tyres\.py lacks a docstring"),
    ],
)
def test_a_leaf_that_lacks_something_is_told_what(lacking: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        in_order([module(**lacking)])


def test_two_leaves_at_one_place_are_told_apart() -> None:
    with pytest.raises(ValueError, match=r"wheels\.py: ORDER 5 is taken by tyres\.py"):
        in_order([module(), module("wheels")])


def test_sensors_stand_side_by_side_and_the_hot_one_is_named(store: Store) -> None:
    """Three at 30 °C, one at 38: the load explains 5 K of 7, so that the middle would have read 28."""
    with store.read() as con:
        facts = one_vehicle(con, "VX-015", "UTC")
    start = facts.sessions[0]["start_t"]
    given = {"cell 1": 30.0, "cell 2": 30.0, "cell 3": 38.0, "cell 4": 30.0}
    rows = [("temp_highest_c", item, value) for item, value in given.items()]
    rows += [("pack_heat_explained_k", "", 5.0), ("pack_heat_rise_k", "", 7.0)]
    schema = facts.metrics.schema
    table = pl.DataFrame(
        [
            {"start_t": start, "name": n, "item": i, "value": v, "unit": "degC", "n": 1, "kind": "ride"}
            for n, i, v in rows
        ]
    )
    kept = {name: schema[name] for name in table.columns}
    blank = pl.lit(None, pl.Float64).alias("se")
    read = replace(facts, metrics=table.cast(kept).with_columns(blank))  # type: ignore[arg-type]
    [block] = sensors(read)
    assert isinstance(block, Drawn)
    assert "does not say where" in block.figure.note
    _, plan = sensors(read, (("T1", "1", "T3"), ("T2", "2", "T4")))
    assert isinstance(plan, PageTable)
    assert plan.body[0][3].replace("\u00a0", " ") == "sensor 3: 38.0 °C, +10.0 K (hottest)"
    assert block.figure.body[2] == ("sensor 3", "38.0", "28.0", "+10.0")
    assert "Sensor 3 is 8.0 K above the median of the others." in block.figure.note
    assert sensors(replace(facts, metrics=facts.metrics.clear())) == []
