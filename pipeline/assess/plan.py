"""What assessment needs to know of vehicles, read from the catalogue in one short visit: plain data for any process."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import polars as pl

from herdbook.pipeline.lake.read import LogRef
from herdbook.pipeline.store.connection import visit
from herdbook.pipeline.store.statements import ask, statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY
from herdbook.pipeline.vehicle.record import EVENTS, METRICS, REFERENCE, SESSIONS, Schema

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
class VehiclePlan:
    """All that assess() needs besides the lake: a copy of the vehicle's rows. ticket: which touch this answers.

    doubts: why a role of its profile is in doubt, by role.
    since: rules look at sessions that begin from here on (microseconds UTC); older rows are not in the tables.
    """

    vehicle: str
    ticket: int
    logs: tuple[LogSpans, ...]
    stretches: dict[tuple[int, int], str]  # fingerprint by start and end, microseconds UTC
    sessions: pl.DataFrame
    metrics: pl.DataFrame
    events: pl.DataFrame
    reference: pl.DataFrame
    messages: pl.DataFrame  # counts of frames, counters and checksums, as in stretch_messages
    since: int
    doubts: Mapping[str, str] = field(default_factory=dict)


def vehicles_touched(store: Store) -> list[str]:
    """Vehicles whose record may have changed since they were last assessed, in order."""
    with visit(store.catalogue, read_only=True) as con:
        return [v for (v,) in con.execute("SELECT vehicle FROM touched ORDER BY vehicle").fetchall()]


def plan(store: Store, vehicles: Sequence[str]) -> list[VehiclePlan]:
    """What has to be looked at for these vehicles; a few queries in all, however many vehicles."""
    with visit(store.catalogue, read_only=True) as con:
        con.execute("SET TimeZone = 'UTC'")
        tickets = {row["vehicle"]: row["ticket"] for row in ask(con, __name__, "tickets", vehicles=list(vehicles))}
        stretches = _stretches(con, vehicles)
        logs = _logs(con, vehicles)
        newest = {v: max((b for log in logs[v] for _, b in log.spans), default=0) for v in vehicles}
        since = {v: judged_since(newest[v], store.settings.judge_days) for v in vehicles}
        sessions, metrics, events, messages = (
            _by_vehicle(con, name, since) for name in ("sessions", "metrics", "events", "messages")
        )
        reference = {p: _reference(con, p) for p in {x[-1].ref.profile for x in logs.values() if x} | {""}}
        doubts: dict[str, dict[str, str]] = defaultdict(dict)
        for row in ask(con, __name__, "doubted_roles"):
            doubts[row["profile"]][row["role"]] = row["reason"]
        return [
            VehiclePlan(
                vehicle=v,
                ticket=tickets.get(v, 0),
                logs=tuple(logs[v]),
                stretches=stretches[v],
                sessions=_as_record(sessions[v], SESSIONS),
                metrics=_as_record(metrics[v], METRICS),
                events=_as_record(events[v], EVENTS),
                reference=reference[logs[v][-1].ref.profile if logs[v] else ""],
                messages=messages[v].drop("vehicle"),
                since=since[v],
                doubts=doubts.get(logs[v][-1].ref.profile, {}) if logs[v] else {},
            )
            for v in vehicles
        ]


def planned(store: Store, vehicles: Sequence[str], at_once: int) -> Iterator[VehiclePlan]:
    """As plan(), so many vehicles at a time, shortly before they are handed out."""
    for first in range(0, len(vehicles), at_once):
        yield from plan(store, vehicles[first : first + at_once])


def judged_since(newest: int, days: float) -> int:
    """From when on rules look at a vehicle, by its own newest data, not by today: what is found does not depend on when
    one looks. newest: end of its last dated span; microseconds UTC."""
    return newest - round(days * DAY)


def _stretches(con: duckdb.DuckDBPyConnection, vehicles: Sequence[str]) -> dict[str, dict[tuple[int, int], str]]:
    """Fingerprint by stretch, by vehicle."""
    out: dict[str, dict[tuple[int, int], str]] = defaultdict(dict)
    for row in ask(con, __name__, "stretches", vehicles=list(vehicles)):
        out[row["vehicle"]][row["start_us"], row["end_us"]] = row["fingerprint"]
    return out


def _logs(con: duckdb.DuckDBPyConnection, vehicles: Sequence[str]) -> dict[str, list[LogSpans]]:
    """Logs in order of time, by vehicle."""
    spans: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for row in ask(con, __name__, "log_spans", vehicles=list(vehicles)):
        spans[row["log"]].append((row["start_us"], row["end_us"]))
    out: dict[str, list[LogSpans]] = defaultdict(list)
    for row in ask(con, __name__, "logs", vehicles=list(vehicles)):
        ref = LogRef(
            log=row["log"],
            part=row["part"],
            profile=row["profile"],
            start=row["start_us"],
            end=row["end_us"],
            doubts=tuple((a, b) for a, b in row["doubts"] or ()),
            hash=row["part_hash"],
        )
        seen = LogSpans(
            ref=ref,
            profile_hash=row["profile_hash"],
            shift=row["shift"],
            bench=row["bench"],
            spans=tuple(spans[row["log"]]),
            own_clock=row["own_clock"],
        )
        out[row["vehicle"]].append(seen)
    return out


def _by_vehicle(con: duckdb.DuckDBPyConnection, name: str, since: Mapping[str, int]) -> dict[str, pl.DataFrame]:
    """What a statement gives of each vehicle from when on it is judged; empty where there is nothing."""
    given = {"vehicles": list(since), "since": list(since.values())}
    frame: pl.DataFrame = con.sql(statement(__name__, name), params=given).pl()
    found = {str(k[0]): some for k, some in frame.partition_by("vehicle", as_dict=True, maintain_order=True).items()}
    return {v: found.get(v, frame.clear()) for v in since}


def _as_record(frame: pl.DataFrame, schema: Schema) -> pl.DataFrame:
    """In the record's columns, times in UTC."""
    naive = [n for n, t in frame.schema.items() if isinstance(t, pl.Datetime)]
    frame = frame.with_columns(pl.col(n).dt.cast_time_unit("us").dt.replace_time_zone("UTC") for n in naive)
    return frame.select(schema.keys()).cast(schema)  # type: ignore[arg-type]


def _reference(con: duckdb.DuckDBPyConnection, profile: str) -> pl.DataFrame:
    frame: pl.DataFrame = con.sql(statement(__name__, "reference"), params={"profile": profile}).pl()
    return frame.cast(REFERENCE)  # type: ignore[arg-type]
