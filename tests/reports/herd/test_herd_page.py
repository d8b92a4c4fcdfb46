"""The page of all vehicles together: over an invented herd, over an empty store, and what a hostile name does to it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from herdbook.pipeline.reports.herd.forest import Branch, Ground, forest
from herdbook.pipeline.reports.herd.herd_page import write_herd
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from tests.book.rows import enter, store_with
from tests.herd.invented import LAST, store_of


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("herd")
    store = store_of(folder / "store", vehicles=36)
    return write_herd(store, folder / "out", until=LAST).read_text("utf-8")


def test_every_part_has_its_figure_with_numbers(page: str) -> None:
    for figure in ("returns-mean", "returns-paper", "forest-capacity", "course-capacity", "course-drag"):
        assert f'<figure class="fig" id="{figure}">' in page
    assert page.count("<svg") > 6
    assert "<script" not in page
    assert re.search(r"<td>batch B</td><td>12 of 36</td>", page) or "batch B" in page


def test_what_is_not_enough_says_so(tmp_path: Path) -> None:
    store = store_with(tmp_path)
    text = write_herd(store, tmp_path / "out").read_text("utf-8")
    assert text.count("ot enough to say") >= 4  # "Not" and "not"
    assert "No two groups of five vehicles" in text
    assert "Nothing on this page was fetched from a network" in text


def test_names_from_outside_are_text(tmp_path: Path) -> None:
    store = store_of(tmp_path / "store", vehicles=30)
    with transaction(store.catalogue) as con:
        con.execute("UPDATE vehicles SET batch = '<script>alert(1)</script>' WHERE batch = 'B'")
    publish(store)
    text = write_herd(store, tmp_path / "out", until=LAST).read_text("utf-8")
    assert "<script" not in text
    assert "&lt;script&gt;" in text


def test_outcomes_and_months_stand_in_it(tmp_path: Path) -> None:
    store = store_with(tmp_path)
    about = {"kind": "inspection", "said": "looked", "rule": "r"}
    enter(store, about | {"outcome": "confirmed"})
    text = write_herd(store, tmp_path / "out").read_text("utf-8")
    assert "outcomes-forest" in text
    assert "100 % (3 to 100)" in text  # Clopper-Pearson of 1 of 1: 0.025 to 1
    assert "Vehicles by finding, " in text  # a table: one month alone is no picture
    assert "months-map" not in text


def test_open_ends_of_a_forest_stay_in_the_picture() -> None:
    open_end = Branch("a", 3.0, 0.5, float("inf"), False, ("a",))
    figure = forest(
        "f", "F", [open_end, Branch("b", 1.0, 0.0, 2.0, True, ("b",))], Ground("x", 1.0, ("x",), log=True), ""
    )
    low, high = figure.spec["layout"]["xaxis"]["range"]
    values = [v for trace in figure.spec["data"] for v in trace["x"] if v is not None]
    assert all(low <= v <= high for v in values)
