"""What assessment needs to know of vehicles, read from the catalogue in one short visit: plain data for any process."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from herdbook.pipeline.lake.read import LogRef
from herdbook.pipeline.store.connection import visit
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY
from herdbook.pipeline.vehicle.record import EVENTS, METRICS, REFERENCE, SESSIONS

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True, slots=True)
class LogSpans:
    """One log as assessment sees it: where it is, its dated spans, and whether it is from a bench."""

    ref: LogRef
    profile_hash: str
    shift: int
    bench: bool
    spans: tuple[tuple[int, int], ...]
    own_clock: bool = True  # absolute time of its own; else a sidecar or the file name placed it


@dataclass(frozen=True)
class Work:
    """All that assess() needs besides the lake: a copy of the vehicle's rows. ticket: which touch this answers.

    since: rules look at sessions that begin from here on (microseconds UTC); older rows are not in the tables.
    """

    vehicle: str
    ticket: int
    logs: tuple[LogSpans, ...]
    known: dict[tuple[int, int], str]  # fingerprint by stretch
    sessions: pl.DataFrame
    metrics: pl.DataFrame
    events: pl.DataFrame
    reference: pl.DataFrame
    messages: pl.DataFrame  # counts of frames, counters and checksums, as in stretch_messages
    since: int


def vehicles_touched(store: Store) -> list[str]:
    """Vehicles whose record may have changed since they were last assessed, in order."""
    with visit(store.catalogue, read_only=True) as con:
        return [v for (v,) in con.execute("SELECT vehicle FROM touched ORDER BY vehicle").fetchall()]


def plan(store: Store, vehicles: Sequence[str]) -> list[Work]:
    """What has to be looked at for these vehicles; a few queries in all, however many vehicles."""
    with visit(store.catalogue, read_only=True) as con:
        con.execute("SET TimeZone = 'UTC'")
        tickets = _grouped(con, "SELECT vehicle, ticket FROM touched WHERE {mine}", vehicles)
        known = _grouped(
            con,
            """SELECT vehicle, epoch_us(start_t), epoch_us(end_t), fingerprint
                                 FROM stretches WHERE {mine}""",
            vehicles,
        )
        logs = _logs(con, vehicles)
        newest = {v: max((b for log in logs[v] for _, b in log.spans), default=0) for v in vehicles}
        since = {v: judged_since(newest[v], store.settings.judge_days) for v in vehicles}
        con.register(
            "judged",
            pl.DataFrame(
                {"vehicle": list(since), "since": list(since.values())},
                schema={"vehicle": pl.String, "since": pl.Int64},
            ),
        )
        tables = [_frames(con, sql, vehicles, schema) for sql, schema in (_SESSIONS, _METRICS, _EVENTS)]
        messages = _messages(con, vehicles)
        reference = {p: _reference(con, p) for p in {x[-1].ref.profile for x in logs.values() if x} | {""}}
        return [
            Work(
                vehicle=v,
                ticket=next((t for (t,) in tickets[v]), 0),
                logs=tuple(logs[v]),
                known={(a, b): f for a, b, f in known[v]},
                sessions=tables[0][v],
                metrics=tables[1][v],
                events=tables[2][v],
                reference=reference[logs[v][-1].ref.profile if logs[v] else ""],
                messages=messages[v],
                since=since[v],
            )
            for v in vehicles
        ]


def planned(store: Store, vehicles: Sequence[str], at_once: int) -> Iterator[Work]:
    """As plan(), so many vehicles at a time, shortly before they are handed out."""
    for first in range(0, len(vehicles), at_once):
        yield from plan(store, vehicles[first : first + at_once])


def judged_since(newest: int, days: float) -> int:
    """From when on rules look at a vehicle, by its own newest data, not by today: what is found does not depend on when
    one looks. newest: end of its last dated span; microseconds UTC."""
    return newest - round(days * DAY)


_SESSIONS = (
    """SELECT vehicle, kind, start_t, end_t, coverage FROM sessions JOIN judged USING (vehicle)
       WHERE {mine} AND start_t >= make_timestamp(since)""",
    SESSIONS,
)
_METRICS = (
    """SELECT vehicle, s.kind, m.start_t, s.end_t, m.name, m.item, m.value, m.unit, m.se, m.n, m.coverage
       FROM metrics m JOIN sessions s USING (vehicle, start_t) JOIN judged USING (vehicle)
       WHERE {mine} AND m.start_t >= make_timestamp(since)""",
    METRICS,
)
_EVENTS = (
    """SELECT vehicle, session_start_t, kind, item, start_t, end_t, map_entries(data) AS data
       FROM events JOIN judged USING (vehicle) WHERE {mine} AND session_start_t >= make_timestamp(since)""",
    EVENTS,
)
_MESSAGES = """SELECT vehicle, stretch_t, message, frames, start_t, end_t, missed, counter_gaps, counter_repeats,
                      checksum_failures
               FROM stretch_messages JOIN judged USING (vehicle)
               WHERE {mine} AND stretch_t >= make_timestamp(since) ORDER BY start_t, message"""
_MINE = "vehicle IN (SELECT unnest(?))"


def _grouped(con: duckdb.DuckDBPyConnection, sql: str, vehicles: Sequence[str]) -> dict[str, list[tuple[Any, ...]]]:
    """Rows by their first column, the vehicle, which is left out."""
    out: dict[str, list[tuple[Any, ...]]] = defaultdict(list)
    for vehicle, *rest in con.execute(sql.format(mine=_MINE), [list(vehicles)]).fetchall():
        out[vehicle].append(tuple(rest))
    return out


def _logs(con: duckdb.DuckDBPyConnection, vehicles: Sequence[str]) -> dict[str, list[LogSpans]]:
    spans: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for rows in _grouped(
        con,
        """SELECT l.vehicle, s.log, epoch_us(s.start_t), epoch_us(s.end_t)
                                 FROM log_spans s JOIN logs l USING (log) WHERE {mine} AND s.dated
                                 ORDER BY ALL""",
        vehicles,
    ).values():
        for log, a, b in rows:
            spans[log].append((a, b))
    out: dict[str, list[LogSpans]] = defaultdict(list)
    for vehicle, rows in _grouped(con, _LOGS, vehicles).items():
        for log, part, profile, start, end, doubts, digest, shift, bench, own, bytes_hash in rows:
            ref = LogRef(
                log=log,
                part=part,
                profile=profile,
                start=start,
                end=end,
                doubts=tuple((a, b) for a, b in doubts or ()),
                hash=bytes_hash,
            )
            out[vehicle].append(
                LogSpans(ref=ref, profile_hash=digest, shift=shift, bench=bench, spans=tuple(spans[log]), own_clock=own)
            )
    return out


_LOGS = """SELECT l.vehicle, l.log, coalesce(p.part, ''), l.profile, epoch_us(l.start_t), epoch_us(l.end_t), d.doubts,
                  l.profile_hash, l.clock_shift_us, l.bench, l.clock = 'utc', coalesce(p.hash, '')
           FROM logs l LEFT JOIN parts p USING (log)
           LEFT JOIN (SELECT log, list((epoch_us(start_t), epoch_us(end_t)) ORDER BY start_t) AS doubts
                      FROM log_doubts GROUP BY log) d USING (log)
           WHERE {mine} ORDER BY l.start_t, l.log"""


def _frames(con: duckdb.DuckDBPyConnection, sql: str, vehicles: Sequence[str], schema: Any) -> dict[str, pl.DataFrame]:
    """One frame a vehicle in the record's columns, empty where there is nothing."""
    frame: pl.DataFrame = con.sql(sql.format(mine=_MINE), params=[list(vehicles)]).pl()
    naive = [n for n, t in frame.schema.items() if isinstance(t, pl.Datetime)]
    frame = frame.with_columns(pl.col(n).dt.cast_time_unit("us").dt.replace_time_zone("UTC") for n in naive)
    found = {str(key[0]): some for key, some in frame.partition_by("vehicle", as_dict=True).items()}
    return {v: found.get(v, frame.clear()).select(schema.keys()).cast(schema) for v in vehicles}


def _messages(con: duckdb.DuckDBPyConnection, vehicles: Sequence[str]) -> dict[str, pl.DataFrame]:
    frame: pl.DataFrame = con.sql(_MESSAGES.format(mine=_MINE), params=[list(vehicles)]).pl()
    found = {str(k[0]): some for k, some in frame.partition_by("vehicle", as_dict=True, maintain_order=True).items()}
    return {v: found.get(v, frame.clear()).drop("vehicle") for v in vehicles}


def _reference(con: duckdb.DuckDBPyConnection, profile: str) -> pl.DataFrame:
    wanted = "SELECT name, item, value, spread, unit, n FROM reference WHERE profile = ? ORDER BY ALL"
    frame: pl.DataFrame = con.sql(wanted, params=[profile]).pl()
    return frame.cast(dict(REFERENCE))  # type: ignore[arg-type]
