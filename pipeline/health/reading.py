"""What rules share in reading a record: metric rows, event tables, robust middles, confidence, windows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from itertools import accumulate, groupby
from typing import Any

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Bools, Integers
from herdbook.pipeline.health.rule import Record, Window
from herdbook.pipeline.row_order import FEW, in_order
from herdbook.pipeline.times import DAY, column_micros
from herdbook.pipeline.vehicle.record import EVENTS

_EVENT_FRAME = ("session_start_t", "item", "start_t", "end_t")


def metric_rows(record: Record, name: str, item: str | None = None, kind: str | None = None) -> pl.DataFrame:
    """Rows of one metric in time order (kind, start_t, end_t, name, item, value, unit, se, n, coverage)."""
    if name in record.left_out.metrics:
        raise LookupError(f"{name} was left out of the record as a figure that no rule reads")
    rows = record.once("metrics by name", lambda: Pieces(_finite(record.metrics), "name")).of(name)
    if item is not None:
        rows = record.once(("metrics by item", name), lambda: Pieces(rows, "item")).of(item)
    if kind is not None:
        rows = only(rows, (rows["kind"] == kind).to_numpy())
    return rows


def _finite(metrics: pl.DataFrame) -> pl.DataFrame:
    return only(metrics, np.isfinite(metrics["value"].to_numpy()))


class Pieces:
    """A table cut by the words of one column; rows of a piece keep their order. One sort, and slices when asked for: a
    frame for each of 250 metrics at once takes longer than forty rules with those they need."""

    def __init__(self, rows: pl.DataFrame, column: str) -> None:
        self.rows = in_order(rows, [column])
        words, lengths = _runs(self.rows[column])
        self.places = dict(zip(words, zip(accumulate(lengths, initial=0), lengths, strict=False), strict=True))

    def of(self, word: str) -> pl.DataFrame:
        return self.rows.slice(*self.places.get(word, (0, 0)))


def _runs(column: pl.Series) -> tuple[list[str], list[int]]:
    """Words that follow each other, and how often each does. Of a short column by hand: see FEW."""
    if column.len() > FEW:
        runs = column.rle().struct.unnest()
        return runs["value"].to_list(), runs["len"].to_list()
    found = [(word, sum(1 for _ in same)) for word, same in groupby(column.to_list())]
    return [word for word, _ in found], [count for _, count in found]


def only(rows: pl.DataFrame, wanted: Bools) -> pl.DataFrame:
    """The rows that are wanted: none of a sound vehicle's, mostly, and that is quickly told."""
    if not wanted.any():
        return rows.clear()
    return rows if wanted.all() else rows[np.flatnonzero(wanted)]


def leave_out(rows: pl.DataFrame, column: str, words: Collection[str]) -> pl.DataFrame:
    """The rows that have none of these words in a column."""
    if not words or not rows.height:
        return rows
    return only(rows, ~rows[column].is_in(list(words)).to_numpy())


def having(rows: pl.DataFrame, *columns: str) -> pl.DataFrame:
    """The rows in which all of these are known: mostly all rows, which costs no query to tell."""
    gaps = [name for name in columns if rows[name].null_count()]
    if rows.height > FEW:
        return rows.drop_nulls(gaps) if gaps else rows
    known = np.ones(rows.height, bool)
    for name in gaps:
        known &= [value is not None for value in rows[name].to_list()]
    return only(rows, known) if gaps else rows


def places(rows: pl.DataFrame) -> dict[str, Integers]:
    """Where each item's rows stand, by item in the order in which they first come."""
    found = defaultdict(list)
    for place, item in enumerate(rows["item"].to_list()):
        found[item].append(place)
    return {item: np.array(at) for item, at in found.items()}


def event_table(record: Record, kind: str, keys: tuple[str, ...] = ()) -> pl.DataFrame:
    """Events of one kind as a flat table: session_start_t, item, start_t, end_t and a float column per data key.

    keys: columns that must exist even when no event carries them (null then).
    """
    if kind in record.left_out.events:
        raise LookupError(f"events {kind} were left out of the record as something that no rule reads")
    return record.once(("events", kind, keys), lambda: _event_table(record, kind, keys))


def _event_table(record: Record, kind: str, keys: tuple[str, ...]) -> pl.DataFrame:
    rows = record.once("events by kind", lambda: Pieces(record.events, "kind")).of(kind)
    if not rows.height:
        return _no_events(keys)
    wide = record.once(("events, wide", kind), lambda: _wide(rows["data"]))
    absent = [_nulls(key, rows.height) for key in keys if key not in wide]
    return pl.DataFrame([*(rows[name] for name in _EVENT_FRAME), *wide.values(), *absent])


@cache
def _no_events(keys: tuple[str, ...]) -> pl.DataFrame:
    return pl.DataFrame(schema={name: EVENTS[name] for name in _EVENT_FRAME} | dict.fromkeys(keys, pl.Float64))


def _wide(data: pl.Series) -> dict[str, pl.Series]:
    """Lists of key and value as a column a key, in order of keys, null where a row has no such key."""
    if data.len() <= FEW // len(_EVENT_FRAME):
        return _wide_by_hand(data.to_list())
    count = data.list.len().fill_null(0).to_numpy()
    pairs = data.filter(pl.Series(count > 0)).explode().struct.unnest()
    pairs = pairs.with_columns(row=np.repeat(np.arange(data.len()), count))
    found = pairs.group_by("key").agg("row", "value").sort("key")
    return {
        key: value.alias(key) if value.len() == data.len() else _nulls(key, data.len()).scatter(row, value)
        for key, row, value in zip(found["key"].to_list(), found["row"], found["value"], strict=True)
    }


def _wide_by_hand(data: list[list[dict[str, Any]] | None]) -> dict[str, pl.Series]:
    found: dict[str, list[float | None]] = {}
    for row, pairs in enumerate(data):
        for pair in pairs or ():
            found.setdefault(pair["key"], [None] * len(data))[row] = pair["value"]
    return {key: pl.Series(key, found[key], pl.Float64) for key in sorted(found)}


def _nulls(name: str, count: int) -> pl.Series:
    return pl.Series(name, [None] * count, pl.Float64)


def windows(rows: pl.DataFrame, by: str, largest_first: bool = True, most: int = 10) -> tuple[Window, ...]:
    """The worst rows (columns start_t, end_t) as windows, worst first by the column `by`."""
    worst = _worst(having(rows, by), by, largest_first).head(most)
    starts = worst["start_t"].cast(pl.Int64).to_list()
    ends = worst["end_t"].cast(pl.Int64).to_list()
    return tuple(Window(int(a), int(b)) for a, b in zip(starts, ends, strict=True))


def _worst(rows: pl.DataFrame, by: str, largest_first: bool) -> pl.DataFrame:
    size = rows[by].to_list() if rows.height <= FEW else []
    if not size or any(x != x for x in size):  # what is not a number has a place of its own
        return rows.sort(by, descending=largest_first, maintain_order=True)
    return rows[sorted(range(rows.height), key=size.__getitem__, reverse=largest_first)]


def seconds(rows: pl.DataFrame) -> float:
    """Summed length of rows with start_t and end_t."""
    return float((column_micros(rows["end_t"]) - column_micros(rows["start_t"])).sum()) / 1e6


def recent(rows: pl.DataFrame, last_days: float | None, most: int | None = None) -> pl.DataFrame:
    """The rows of the last days before the newest of them, `most` at most, in time order: what holds now,
    not what once held."""
    t = column_micros(rows["start_t"])
    if (t[1:] < t[:-1]).any():
        rows = rows.sort("start_t", maintain_order=True)
        t = np.sort(t)
    if t.size and last_days is not None:
        rows = rows.slice(int(np.searchsorted(t, t[-1] - round(last_days * DAY))))
    return rows.tail(most) if most else rows


def lately(record: Record, rows: pl.DataFrame, last_days: float) -> pl.DataFrame:
    """The rows that begin in the last days before the record ends."""
    if not rows.height:
        return rows
    return only(
        rows, column_micros(rows["start_t"]) >= column_micros(record.sessions["end_t"]).max() - round(last_days * DAY)
    )


def days(rows: pl.DataFrame) -> int:
    """On how many UTC days the rows begin."""
    return int(np.unique(column_micros(rows["start_t"]) // DAY).size)


@dataclass(frozen=True, slots=True)
class Reference:
    """A fleet figure frozen with the rule set: value, robust spread between healthy vehicles, number of vehicles."""

    value: float
    spread: float
    n: int


def reference(record: Record, name: str, item: str = "") -> Reference | None:
    """The fleet's figure of that name, or None when it was never fitted."""
    return record.once("reference", lambda: _references(record.reference)).get((name, item))


def _references(rows: pl.DataFrame) -> dict[tuple[str, str], Reference]:
    columns = (rows[c].to_list() for c in ("name", "item", "value", "spread", "n"))
    return {(name, item): Reference(*figure) for name, item, *figure in reversed(list(zip(*columns, strict=True)))}
