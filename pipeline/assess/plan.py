"""What assessment needs to know of vehicles, read from the catalogue in one short visit: plain data for any process.

The process that holds the store reads tables of many vehicles at once and hands them on (PlanGroup); cutting
them up by vehicle is the worker's part of the work.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from herdbook.pipeline.assess.large_night import LEAST_IN_GROUP, FileNumbers, LargeNight
from herdbook.pipeline.assess.large_night import MOST_IN_GROUP as MOST_OF_LARGE
from herdbook.pipeline.assess.measured_by import measured_by
from herdbook.pipeline.assess.old_rows import OldRows
from herdbook.pipeline.health.unread import BY_OUR_RULES, NOTHING, Unread
from herdbook.pipeline.lake.read import LogRef
from herdbook.pipeline.metrics.clock import OF_CLOCKS
from herdbook.pipeline.own.files import own_files
from herdbook.pipeline.store.connection import visit
from herdbook.pipeline.store.record_files import TABLES, files_of, vouch
from herdbook.pipeline.store.statements import ask, statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY, column_micros
from herdbook.pipeline.vehicle.record import EVENTS, METRICS, REFERENCE, SESSIONS, Schema

if TYPE_CHECKING:
    import duckdb

# What is known of vehicles that are read in one visit, and handed over in one group, in memory; engineering choices.
VISIT_MB, GROUP_MB, READ_MB = 64.0, 8.0, 24.0
PLACE = {"vehicle": pl.String, "place": pl.Int64}
BEFORE_ALL = -(2**55)  # microseconds UTC: 1,100 years before 1970
FIRST_VISIT, MOST_VISIT, MOST_IN_GROUP = 16, 512, 32  # vehicles


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

    doubts: why a role of its profile is in doubt, by role. left_out: what is on record and not in the tables.
    measured_by: of what settings, versions and profiles say how to measure, as it was planned; logs and stretches: all
    of them, or from there on where that and all before stand as they were.
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
    left_out: Unread = NOTHING
    measured_by: str = ""


def vehicles_touched(store: Store) -> list[str]:
    """Vehicles whose record may have changed since they were last assessed, in order."""
    with visit(store.catalogue, read_only=True) as con:
        return [v for (v,) in con.execute("SELECT vehicle FROM touched ORDER BY vehicle").fetchall()]


@dataclass(frozen=True)
class PlanGroup:
    """Plans of some vehicles, still as tables. rows: by the name of the statement under sql/ that read them; reference
    and doubts: by profile, those of profiles of these vehicles among them; old: where the rest of their rows lie.
    numbers: for files of its own, in a large night. left_out: what no rule of this store reads."""

    vehicles: tuple[str, ...]
    rows: Mapping[str, pl.DataFrame]
    reference: Mapping[str, pl.DataFrame]
    doubts: Mapping[str, Mapping[str, str]]
    judge_days: float
    old: OldRows = field(default_factory=OldRows)
    numbers: FileNumbers | None = None
    left_out: Unread = NOTHING
    measured_by: str = ""

    def each(self) -> Iterator[VehiclePlan]:
        """The plans in turn: of few vehicles at a time, so that what files hold of all of them is never in memory."""
        at_once = max(1, int(READ_MB / max(self.old.megabytes(1), 1e-6)))
        lots = [self.vehicles[first : first + at_once] for first in range(0, len(self.vehicles), at_once)]
        for some in self.parts(lots) if len(lots) > 1 else [self]:
            yield from some.plans()

    def plans(self) -> list[VehiclePlan]:
        """One plan a vehicle, in their order; reads what lies in files of the record."""
        tickets = dict(self.rows["tickets"].rows())
        stretches: dict[str, dict[tuple[int, int], str]] = defaultdict(dict)
        for vehicle, start, end, fingerprint in self.rows["stretches"].rows():
            stretches[vehicle][start, end] = fingerprint
        logs = _logs(self.rows["log_spans"], self.rows["logs"])
        since = _since(self.vehicles, self.rows["log_spans"], self.judge_days)
        rows = with_old(self.rows, self.old, since, self.left_out)
        sessions, metrics, events = (
            _by_vehicle(_as_record(rows[name], schema), self.vehicles)
            for name, schema in (("sessions", SESSIONS), ("metrics", METRICS), ("events", EVENTS))
        )
        messages = _by_vehicle(rows["messages"], self.vehicles)
        if (filed := self.old.read("metrics", since, "name", self.left_out.metrics)) is not None:
            old = _by_vehicle(_utc(filed), self.vehicles)
            metrics = {
                v: pl.concat([metrics[v].select(METRICS.keys()), _of_sessions(old[v], sessions[v])])
                for v in self.vehicles
            }
        plans = []
        for v in self.vehicles:
            profile = logs[v][-1].ref.profile if logs[v] else ""
            one = VehiclePlan(
                vehicle=v,
                ticket=tickets.get(v, 0),
                logs=tuple(logs[v]),
                stretches=stretches[v],
                sessions=sessions[v].select(SESSIONS.keys()),
                metrics=metrics[v].select(METRICS.keys()),
                events=events[v].select(EVENTS.keys()),
                reference=self.reference[profile],
                messages=messages[v].drop("vehicle"),
                since=since[v],
                doubts=self.doubts.get(profile, {}),
                left_out=self.left_out,
                measured_by=self.measured_by,
            )
            plans.append(one)
        return plans

    def parts(self, of: Sequence[Sequence[str]]) -> Iterator[PlanGroup]:
        """For each of these lists of vehicles, which share none, what concerns them; every table is cut up once."""
        place = {v: i for i, some in enumerate(of) for v in some}
        places = pl.DataFrame({"vehicle": list(place), "place": list(place.values())}, schema=PLACE)
        cut = {name: _cut(rows, places) for name, rows in self.rows.items()}
        for i, some in enumerate(of):
            rows = {name: by_place.get(i, self.rows[name].clear()) for name, by_place in cut.items()}
            yield replace(self, vehicles=tuple(some), rows=rows, old=self.old.of(some))

    def singly(self) -> list[PlanGroup]:
        """The same as a group for each vehicle; none writes files."""
        return [replace(one, numbers=None) for one in self.parts([(v,) for v in self.vehicles])]

    @property
    def megabytes(self) -> float:
        """Of what is handed over; what files hold is read where it is needed, by each()."""
        return sum(rows.estimated_size() for rows in self.rows.values()) / 1e6


def _cut(rows: pl.DataFrame, places: pl.DataFrame) -> dict[int, pl.DataFrame]:
    """Rows by the place of their vehicle, in their order. places: vehicle, place."""
    found = rows.join(places, on="vehicle", maintain_order="left").partition_by(
        "place", as_dict=True, maintain_order=True, include_key=False
    )
    return {int(key[0]): some for key, some in found.items()}


def plan(store: Store, vehicles: Sequence[str], days: float | None = None) -> list[VehiclePlan]:
    """What has to be looked at for these vehicles. days: of each one's newest record; None: as the settings say."""
    return plan_group(store, vehicles, days).plans()


def plan_group(store: Store, vehicles: Sequence[str], days: float | None = None) -> PlanGroup:
    """The same as tables: a dozen queries, however many vehicles."""
    left_out = NOTHING if own_files(store).judging else BY_OUR_RULES
    known_by = measured_by(store)
    days = store.settings.judge_days if days is None else days
    with visit(store.catalogue, read_only=True) as con:
        con.execute("SET TimeZone = 'UTC'")
        rows = {"tickets": _rows(con, "tickets", vehicles=list(vehicles))}
        changed = _changed_from(con, vehicles, known_by, store.settings.join_s) if left_out.metrics >= OF_CLOCKS else {}
        where: dict[str, list[object]] = {
            "vehicles": list(vehicles),
            "changed": [changed.get(v, BEFORE_ALL) for v in vehicles],
        }
        rows |= {name: _rows(con, name, **where) for name in ("stretches", "log_spans", "logs")}
        since = _since(vehicles, rows["log_spans"], days)
        given: dict[str, list[object]] = {"vehicles": list(since), "since": list(since.values())}
        of = {"metrics": {"left_out": list(left_out.metrics)}, "events": {"left_out": list(left_out.events)}}
        old = _old_rows(con, store, vehicles)
        rows |= {
            name: _rows(con, name, **given, **of.get(name, {}))
            for name in ("sessions", "metrics", "events", "messages")
        }
        reference = {p: _reference(con, p) for p in {*rows["logs"]["profile"].unique().to_list(), ""}}
        doubts: dict[str, dict[str, str]] = defaultdict(dict)
        for row in ask(con, __name__, "doubted_roles"):
            doubts[row["profile"]][row["role"]] = row["reason"]
    return PlanGroup(tuple(vehicles), rows, reference, dict(doubts), days, old, left_out=left_out, measured_by=known_by)


def _changed_from(
    con: duckdb.DuckDBPyConnection, vehicles: Sequence[str], known_by: str, join_s: float
) -> dict[str, int]:
    """From when on a vehicle's logs and stretches may be others than at its last assessment (microseconds UTC); without
    those of which all may be."""
    asked = {"vehicles": list(vehicles), "measured_by": known_by, "join_us": int(join_s * 1e6)}
    return {row["vehicle"]: row["from_us"] for row in ask(con, __name__, "changed_from", **asked)} if known_by else {}


def _old_rows(con: duckdb.DuckDBPyConnection, store: Store, vehicles: Sequence[str]) -> OldRows:
    """Raises: DamagedPartError."""
    files = [f for f in files_of(con) if f.kind in TABLES]
    if not files:
        return OldRows()
    vouch(store.folder, files, store.settings.check_days)
    removed = _rows(con, "removed", vehicles=list(vehicles))
    all_vehicles = con.execute("SELECT greatest(count(*), 1) FROM vehicles").fetchall()[0][0]
    return OldRows(store.folder, tuple(files), removed, sum(f.rows for f in files) / all_vehicles).of(vehicles)


def planned(
    store: Store, vehicles: Sequence[str], most: int, share: int, large: LargeNight | None = None
) -> Iterator[PlanGroup]:
    """As plan_group(), shortly before they are handed out: at most so many vehicles, and no more than one `share`th of
    what is left, so that workers end at about the same time; fewer where much is known of them. large: a large night,
    whose groups write files: they are larger, and none is of two shards.

    A visit to the catalogue reads several groups at once, as many as are bearable by what the one before gave."""
    least = 1
    if large is not None:
        vehicles, most, least = large.in_order(vehicles), max(most, MOST_OF_LARGE), LEAST_IN_GROUP
    left, at_once = len(vehicles), FIRST_VISIT
    while left:
        visit_size = min(left, at_once)
        read = plan_group(store, vehicles[len(vehicles) - left :][:visit_size])
        a_vehicle = max(read.megabytes / visit_size, 1e-6)
        at_once = max(1, min(MOST_VISIT, int(VISIT_MB / a_vehicle)))
        first, lots = 0, []
        while first < visit_size:
            wanted = max(least, (left - first) // share)
            size = max(1, min(most, wanted, int(GROUP_MB / a_vehicle), visit_size - first))
            if large is not None:
                size = min(size, large.shared(read.vehicles[first : first + size]))
            lots.append(read.vehicles[first : first + size])
            first += size
        for group in read.parts(lots):
            yield group if large is None else replace(group, numbers=large.numbers(group.vehicles[0]))
        left -= visit_size


def with_old(
    rows: Mapping[str, pl.DataFrame], old: OldRows, since: Mapping[str, int], left_out: Unread = NOTHING
) -> dict[str, pl.DataFrame]:
    """The tables of a group with events and counts that lie in files, as their statements give those of the catalogue.

    since: from when on each vehicle is judged, microseconds UTC. Raises: DamagedPartError."""
    whole = dict(rows)
    if (events := old.read("events", since, "kind", left_out.events)) is not None:
        whole["events"] = pl.concat([rows["events"], events.select(rows["events"].columns)])
    if (counts := old.read("stretch_messages", since)) is not None:
        both = pl.concat([rows["messages"], counts.select(rows["messages"].columns)])
        whole["messages"] = both.sort("start_t", "message", maintain_order=True)
    return whole


def judged_since(newest: int, days: float) -> int:
    """From when on rules look at a vehicle, by its own newest data, not by today: what is found does not depend on when
    one looks. newest: end of its last dated span; microseconds UTC."""
    return newest - round(days * DAY)


def _since(vehicles: Sequence[str], spans: pl.DataFrame, days: float) -> dict[str, int]:
    """judged_since() by vehicle, from the rows of log_spans."""
    newest = dict(spans.group_by("vehicle").agg(pl.col("end_us").max()).rows())
    return {v: judged_since(newest.get(v, 0), days) for v in vehicles}


def _rows(con: duckdb.DuckDBPyConnection, name: str, **given: object) -> pl.DataFrame:
    frame: pl.DataFrame = con.sql(statement(__name__, name), params=given).pl()
    return frame


def _logs(spans: pl.DataFrame, logs: pl.DataFrame) -> dict[str, list[LogSpans]]:
    """Logs in order of time, by vehicle."""
    of_log: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for _, log, start, end in spans.rows():
        of_log[log].append((start, end))
    out: dict[str, list[LogSpans]] = defaultdict(list)
    for row in logs.iter_rows(named=True):
        ref = LogRef(
            log=row["log"],
            part=row["part"],
            profile=row["profile"],
            start=row["start_us"],
            end=row["end_us"],
            doubts=tuple((doubt["a"], doubt["b"]) for doubt in row["doubts"] or ()),
            hash=row["part_hash"],
        )
        seen = LogSpans(
            ref=ref,
            profile_hash=row["profile_hash"],
            shift=row["shift"],
            bench=row["bench"],
            spans=tuple(of_log[row["log"]]),
            own_clock=row["own_clock"],
        )
        out[row["vehicle"]].append(seen)
    return out


def _by_vehicle(frame: pl.DataFrame, vehicles: Sequence[str]) -> dict[str, pl.DataFrame]:
    """Rows of each vehicle, in their order; empty where there is nothing."""
    found = {str(k[0]): some for k, some in frame.partition_by("vehicle", as_dict=True, maintain_order=True).items()}
    return {v: found.get(v, frame.clear()) for v in vehicles}


def _of_sessions(metrics: pl.DataFrame, sessions: pl.DataFrame) -> pl.DataFrame:
    """One vehicle's metrics with kind and end of the session that begins where they do; those of none are left out."""
    starts = column_micros(sessions["start_t"])
    order = np.argsort(starts, kind="stable")
    t = column_micros(metrics["start_t"])
    place = np.searchsorted(starts[order], t)
    known = place < starts.size
    known[known] = starts[order][place[known]] == t[known]
    if not known.all():
        metrics, place = metrics.filter(pl.Series(known)), place[known]
    at = order[place]
    own = [sessions[name][at] for name in ("kind", "end_t")]
    return metrics.with_columns(own).select(METRICS.keys())


def _utc(frame: pl.DataFrame) -> pl.DataFrame:
    naive = [n for n, t in frame.schema.items() if isinstance(t, pl.Datetime)]
    return frame.with_columns(pl.col(n).dt.cast_time_unit("us").dt.replace_time_zone("UTC") for n in naive)


def _as_record(frame: pl.DataFrame, schema: Schema) -> pl.DataFrame:
    """In the record's columns and the vehicle, times in UTC."""
    frame = _utc(frame)
    wanted = {"vehicle": pl.String, **schema}
    return frame.select(wanted.keys()).cast(wanted)  # type: ignore[arg-type]


def _reference(con: duckdb.DuckDBPyConnection, profile: str) -> pl.DataFrame:
    return _rows(con, "reference", profile=profile).cast(REFERENCE)  # type: ignore[arg-type]
