"""A copy that was published before there was a service book: whoever needs the book is told so, and what to do."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.health.herd_figures import figure
from herdbook.pipeline.herd.anew import began_anew
from herdbook.pipeline.herd.campaign import campaign_effect
from herdbook.pipeline.herd.limits_tried import try_limits
from herdbook.pipeline.herd.two_sides import before_and_after
from herdbook.pipeline.operating_system import set_rights
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from tests.book.rows import NOW, day, store_with
from tests.herd.books import without_book

ASKED: dict[str, Callable[[Store], object]] = {
    "compare at an entry": lambda store: before_and_after(store, "a", "1"),
    "rules try": lambda store: try_limits(store, "weak_group", ["act=2"]),
    "campaign on a figure": lambda store: campaign_effect(store.read(), "2.0", figure("use"), until=NOW),
    "course": lambda store: began_anew(store.read(), ["pack"], NOW),
}


@pytest.fixture
def older(tmp_path: Path) -> Store:
    store = store_with(tmp_path)
    publish(store)
    set_rights(store.fleet, 0o640)
    with duckdb.connect(str(store.fleet)) as con:
        without_book(con)
    return store


@pytest.mark.parametrize("asked", ASKED.values(), ids=ASKED.keys())
def test_no_book_is_no_empty_book(older: Store, asked: Callable[[Store], object]) -> None:
    with pytest.raises(StoreError, match="older Herdbook and knows no service book") as refused:
        asked(older)
    assert "herdbook store publish" in refused.value.do


def test_a_day_needs_no_book(older: Store) -> None:
    assert before_and_after(older, "a", day(3)).entry is None
