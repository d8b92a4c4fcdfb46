"""Reading a record: rows of a metric, events as a table, what is recent, and what is a window worth showing."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from herdbook.pipeline.health import reading
from herdbook.pipeline.health.examples import FIRST_DAY, fleet, one_session, record
from herdbook.pipeline.health.reading import (
    Pieces,
    Reference,
    days,
    event_table,
    lately,
    metric_rows,
    only,
    places,
    recent,
    reference,
    seconds,
    windows,
)
from herdbook.pipeline.health.rule import Window
from herdbook.pipeline.times import HOUR, micros
from herdbook.pipeline.vehicle.record import Event, Metric

SEEN = record(
    one_session(0, "ride", Metric("heat", 1.0, "W", item="1"), Metric("heat", 2.0, "W", item="2")),
    one_session(3, "charge", Metric("heat", 3.0, "W", item="1"), Metric("other", 9.0, "W")),
    one_session(10, "ride", Metric("heat", math.nan, "W", item="1"), Metric("heat", 5.0, "W", item="2")),
)


def starts(rows: pl.DataFrame) -> list[float]:
    """Days after the first one."""
    return [(t - FIRST_DAY) / timedelta(days=1) for t in rows["start_t"]]


def test_rows_of_a_metric_in_order_without_what_is_no_number() -> None:
    assert metric_rows(SEEN, "heat")["value"].to_list() == [1.0, 2.0, 3.0, 5.0]
    assert metric_rows(SEEN, "heat", item="1")["value"].to_list() == [1.0, 3.0]
    assert metric_rows(SEEN, "heat", kind="ride")["value"].to_list() == [1.0, 2.0, 5.0]
    assert metric_rows(SEEN, "heat", item="2", kind="charge").height == 0
    assert metric_rows(SEEN, "nothing").height == 0


def test_pieces_keep_the_order_of_their_rows() -> None:
    rows = pl.DataFrame({"item": ["b", "a", "b", "c", "a"], "n": [1, 2, 3, 4, 5]})
    pieces = Pieces(rows, "item")
    assert {word: pieces.of(word)["n"].to_list() for word in "abcd"} == {"a": [2, 5], "b": [1, 3], "c": [4], "d": []}


def test_where_each_items_rows_stand() -> None:
    found = places(pl.DataFrame({"item": ["b", "a", "b"]}))
    assert [(item, at.tolist()) for item, at in found.items()] == [("b", [0, 2]), ("a", [1])]


@pytest.mark.parametrize(("wanted", "left"), [([1, 1, 1], [1, 2, 3]), ([0, 0, 0], []), ([0, 1, 0], [2])])
def test_only_what_is_wanted(wanted: list[int], left: list[int]) -> None:
    assert only(pl.DataFrame({"n": [1, 2, 3]}), np.array(wanted, bool))["n"].to_list() == left


def test_events_as_a_table_with_a_column_a_number() -> None:
    seen = record(
        one_session(0, "ride", Event("braking", 10, 20, "", {"a": 1.0, "b": 2.0}), Event("other", 1, 2)),
        one_session(1, "ride", Event("braking", 30, 40, "left", {"a": 3.0}), Event("braking", 50, 60)),
    )
    found = event_table(seen, "braking", ("b", "never"))
    assert found.select("item", "a", "b", "never").rows() == [
        ("", 1.0, 2.0, None),
        ("left", 3.0, None, None),
        ("", None, None, None),
    ]
    begin = micros(FIRST_DAY)
    assert found["start_t"].to_physical().to_list()[0] == begin + 10
    assert found["end_t"].to_physical().to_list()[0] == begin + 20
    none = event_table(seen, "never seen", ("b",))
    assert none.height == 0
    assert none.schema["b"] == pl.Float64


def test_tables_of_any_length_are_read_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short ones are read by hand, long ones by the column library: the same comes out."""
    seen = [
        one_session(
            day,
            "ride",
            Metric("heat", float(day), "W", item=f"{day % 3}"),
            Event("jump", 0, 1, "", {"a": float(day)} | ({"b": -float(day)} if day % 2 else {})),
            Event("jump", 2, 3, "", {}),
        )
        for day in range(7)
    ]

    def read() -> list[pl.DataFrame]:
        of = record(*seen)
        return [event_table(of, "jump", ("c",)), *(metric_rows(of, "heat", item=str(i)) for i in range(4))]

    by_hand = read()
    monkeypatch.setattr(reading, "FEW", 0)
    for one, other in zip(by_hand, read(), strict=True):
        assert one.schema == other.schema
        assert one.rows() == other.rows()
    assert by_hand[0]["b"].drop_nulls().to_list() == [-1.0, -3.0, -5.0]


def test_the_worst_rows_as_windows() -> None:
    rows = metric_rows(SEEN, "heat")
    begin = micros(FIRST_DAY)
    day = 24 * HOUR
    assert windows(rows, "value", most=2) == (
        Window(begin + 10 * day, begin + 10 * day + HOUR),
        Window(begin + 3 * day, begin + 3 * day + HOUR),
    )
    assert windows(rows, "value", largest_first=False, most=1) == (Window(begin, begin + HOUR),)
    assert windows(rows.with_columns(value=pl.lit(None, pl.Float64)), "value") == ()
    assert len(windows(pl.concat([rows] * 5), "value")) == 10


def test_length_and_days_of_rows() -> None:
    rows = metric_rows(SEEN, "heat")
    assert seconds(rows) == 4 * 3600.0
    assert days(rows) == 3
    late = record(*(one_session(d, "ride", Metric("x", 1.0, "1")) for d in (0.0, 0.5, 0.7)))  # 8:00, 20:00, 0:48
    assert days(metric_rows(late, "x")) == 2


def test_what_is_recent_is_counted_back_from_the_newest_row() -> None:
    rows = metric_rows(SEEN, "heat", item="1")  # days 0 and 3
    assert starts(recent(rows, 3.0)) == [0.0, 3.0]
    assert starts(recent(rows, 2.9)) == [3.0]
    assert starts(recent(rows, None, most=1)) == [3.0]
    assert starts(recent(rows.reverse(), None)) == [0.0, 3.0], "put in order of time"
    assert recent(rows.clear(), 2.0).height == 0


def test_what_is_lately_is_counted_back_from_the_end_of_the_record() -> None:
    rows = metric_rows(SEEN, "heat", item="1")
    end = 10 + 1 / 24  # the last session lasts an hour
    assert starts(lately(SEEN, rows, end - 3.0)) == [3.0]
    assert starts(lately(SEEN, rows, end)) == [0.0, 3.0]
    assert lately(SEEN, rows, end - 3.01).height == 0
    assert lately(SEEN, rows.clear(), 1.0).height == 0


def test_a_fleet_figure_by_name() -> None:
    known = record(one_session(0, "ride"), reference=fleet(("pack_heat_ratio", 1.2, 0.1, "1")))
    assert reference(known, "pack_heat_ratio") == Reference(1.2, 0.1, 50)
    assert reference(known, "pack_heat_ratio", "ride") is None
    assert reference(SEEN, "pack_heat_ratio") is None


def test_a_record_is_read_once() -> None:
    made: list[datetime] = []

    def make() -> int:
        made.append(datetime.now())
        return 7

    seen = record()
    assert [seen.once("key", make), seen.once("key", make)] == [7, 7]
    assert len(made) == 1
