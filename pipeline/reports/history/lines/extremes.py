"""The lines about extremes and the distance counter: highest and lowest readings on record, and where it went back."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import polars as pl

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.history.context import HistoryReader
from herdbook.pipeline.reports.history.statement import Source, Statement
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row

BACK_KM = 0.2  # a counter of 0.1 km steps may lose one or two; engineering choice


@dataclass(frozen=True, slots=True)
class Extreme:
    """metric: a session's figure; most: +1 the highest counts, -1 the lowest; how: what stands for a reading, in the
    words of the metric's own definition, since a single sample may lie beyond it."""

    metric: str
    words: str
    most: int
    how: str


COUNTER = Source("metrics", {"name": ("odometer_start_km", "odometer_end_km")})
TEN, THREE = "mean over ten seconds", "median of three readings"
EXTREMES = (
    Extreme("cell_temp_max_c", "Highest cell temperature", 1, TEN),
    Extreme("cell_temp_min_c", "Lowest cell temperature", -1, TEN),
    Extreme("motor_temp_max_c", "Highest winding temperature", 1, TEN),
    Extreme("cell_highest_v", "Highest voltage of a group of cells", 1, THREE),
    Extreme("cell_lowest_v", "Lowest voltage of a group of cells", -1, THREE),
    Extreme("top_speed_kmh", "Highest speed", 1, "median of five samples"),
)


def lines(facts: Facts, reader: HistoryReader, extremes: Sequence[Extreme] = EXTREMES) -> Iterator[Statement]:
    sessions = {s["start_t"]: s for s in facts.sessions}
    known = facts.metrics.filter(pl.col("start_t").is_in(list(sessions)))
    yield from furthest(facts, reader, extremes)
    yield from _odometer(known, sessions, reader)


def furthest(facts: Facts, reader: HistoryReader, extremes: Sequence[Extreme]) -> Iterator[Statement]:
    sessions = {s["start_t"]: s for s in facts.sessions}
    known = facts.metrics.filter(pl.col("start_t").is_in(list(sessions)))
    for extreme in extremes:
        rows = known.filter(pl.col("name") == extreme.metric)
        if rows.height:
            row = rows.sort("value", "start_t", descending=[extreme.most > 0, False]).row(0, named=True)
            yield _extreme(extreme, row, sessions[row["start_t"]], reader)


def _extreme(extreme: Extreme, row: Row, session: Row, reader: HistoryReader) -> Statement:
    value, unit = row["value"], row["unit"]
    if unit == "km/h" and reader.units == "mi":
        value, unit = reader.distance(value), "mph"
    text = (
        f"{extreme.words} on record ({extreme.how}): {numbers.amount(value, unit)}, in the session of "
        f"{reader.day(session['start_t'])}."
    )
    return Statement(
        "use",
        text,
        "computed",
        session["start_t"],
        session["end_t"],
        value=round(value, 6),
        unit=unit,
        coverage=row["coverage"],
        logs=tuple(session["logs"]),
        source=Source("metrics", {"name": (extreme.metric,)}),
    )


def _odometer(known: pl.DataFrame, sessions: dict[object, Row], reader: HistoryReader) -> Iterator[Statement]:
    """First and last reading, and every step back between one session's end and the next one's start."""
    start, end = (
        dict(known.filter(pl.col("name") == f"odometer_{at}_km").select("start_t", "value").iter_rows())
        for at in ("start", "end")
    )
    times = sorted(t for t in start if t in end)
    if not times:
        return
    first, last = sessions[times[0]], sessions[times[-1]]
    newest = reader.distance(end[times[-1]])
    text = (
        f"The distance counter read {reader.counter(start[times[0]])} on {reader.day(first['start_t'])} and "
        f"{reader.counter(end[times[-1]])} on {reader.day(last['end_t'])}."
    )
    span = first["start_t"], last["end_t"]
    yield Statement(
        "use",
        text,
        "recorded",
        *span,
        value=round(newest, 6),
        unit=reader.units,
        logs=_logs(first, last),
        source=COUNTER,
    )
    for before, after in pairwise(times):
        if start[after] < end[before] - BACK_KM:
            yield _back(end[before], start[after], sessions[before], sessions[after], reader)


def _back(was_km: float, is_km: float, before: Row, after: Row, reader: HistoryReader) -> Statement:
    text = (
        f"The distance counter went back from {reader.counter(was_km)} on {reader.day(before['end_t'])} to "
        f"{reader.counter(is_km)} on {reader.day(after['start_t'])}. Why is not in the data."
    )
    return Statement(
        "unknown", text, "recorded", before["end_t"], after["start_t"], logs=_logs(before, after), source=COUNTER
    )


def _logs(*sessions: Row) -> tuple[str, ...]:
    return tuple(dict.fromkeys(log for s in sessions for log in s["logs"]))
