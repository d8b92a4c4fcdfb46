"""Commit what workers took in: one short transaction over ledger, quarantine, vehicles and installs.

The ledger is a function of the logs: the same file again, renamed or in another order, changes nothing in it.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import polars as pl

from herdbook.pipeline.intake.identity import BY_A_PERSON
from herdbook.pipeline.intake.outcome import (
    CONTRADICTION,
    ChangedLog,
    Entry,
    GoneLog,
    KnownLog,
    Outcome,
    QuarantinedLog,
    TakenLog,
    flat,
)
from herdbook.pipeline.store.connection import registered, transaction
from herdbook.pipeline.store.ledger_files import changed, dropped, forget_seen, put
from herdbook.pipeline.store.statements import Row, ask, statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import micros, now_us
from herdbook.pipeline.vehicle.record import US

if TYPE_CHECKING:
    import duckdb

OF_A_LOG = (
    "log_faults",
    "log_messages",
    "log_spans",
    "log_doubts",
    "log_serials",
    "log_facts",
    "log_buses",
    "parts",
    "logs",
)


@dataclass(frozen=True, slots=True)
class Committed:
    """What a commit changed. known: files that brought nothing new. vehicles: whose record is touched."""

    taken: int = 0
    known: int = 0
    quarantined: int = 0
    vehicles: tuple[str, ...] = ()


def commit(store: Store, outcomes: Sequence[Outcome], now: int | None = None) -> Committed:
    """Write what became of a batch of logs into the catalogue, whole or not at all.

    now: when they were received, microseconds UTC.
    """
    with transaction(store.catalogue) as con:
        return enter(con, outcomes, now_us() if now is None else now)


def enter(con: duckdb.DuckDBPyConnection, outcomes: Sequence[Outcome], now: int) -> Committed:
    """The same inside the caller's transaction."""
    came = [o for o in {o.file.path: o for o in outcomes}.values() if not isinstance(o, GoneLog | ChangedLog)]
    if not came:
        return Committed()
    said = {row["log"]: row["to_vehicle"] for row in ask(con, __name__, "corrected", logs=[o.file.log for o in came])}
    came = [_as_said(o, said) for o in came]
    known = {row["log"]: _Known(**row) for row in ask(con, __name__, "logs_known", logs=[o.file.log for o in came])}
    fresh: dict[str, TakenLog] = {}
    entries: list[tuple[_Came, Entry]] = []
    vehicles: set[str] = set()
    for o in came:
        forgotten = o.file.log in said and said[o.file.log] is None
        entry = Entry.KNOWN if forgotten else _entry(con, o, known, fresh)
        entries.append((o, entry))
        if forgotten and isinstance(o, TakenLog):
            con.execute("INSERT OR IGNORE INTO retired VALUES (?, make_timestamp(?), 'forgotten')", [o.part, now])
        if isinstance(o, TakenLog) and entry is Entry.TAKEN:
            fresh[o.file.log] = o
            vehicles |= {o.vehicle, *([known[o.file.log].vehicle] if o.file.log in known else [])}
    _replace(con, list(fresh.values()), known.keys(), now)
    for o, entry in entries:
        if isinstance(o, QuarantinedLog) and entry is Entry.QUARANTINED:
            _quarantine(con, o, now)
            if o.reason == CONTRADICTION and o.file.log in known:  # its sidecar came late: the log is nobody's now
                vehicles.add(known[o.file.log].vehicle)
                withdraw(con, [o.file.log], now)
    _remember(con, entries)
    touch(con, sorted(vehicles), _new_from(fresh.values(), vehicles, known))
    count = [entry for _, entry in entries].count
    return Committed(count(Entry.TAKEN), count(Entry.KNOWN), count(Entry.QUARANTINED), tuple(sorted(vehicles)))


_Came = TakenLog | KnownLog | QuarantinedLog


def _as_said(came: _Came, said: Mapping[str, str | None]) -> _Came:
    """A log as a person corrected it (corrections.py), whatever its sidecar, path or bus says."""
    vehicle = said.get(came.file.log)
    if vehicle is None or not isinstance(came, TakenLog):
        return came
    return replace(came, vehicle=vehicle, identity_by=BY_A_PERSON)


@dataclass(frozen=True, slots=True)
class _Known:
    """What the ledger has of the same bytes already. stamp: of the file as it was taken."""

    log: str
    path: str
    vehicle: str
    part: str
    stamp: str | None


def _entry(
    con: duckdb.DuckDBPyConnection, came: _Came, known: Mapping[str, _Known], fresh: Mapping[str, TakenLog]
) -> Entry:
    """How a log is entered, given what the ledger, or this batch before it, has of the same bytes."""
    file = came.file
    if file.log in fresh:
        _look_at_claim(con, came, fresh[file.log].vehicle)
        return Entry.KNOWN
    own = Entry.QUARANTINED
    if not isinstance(came, QuarantinedLog):
        own = Entry.TAKEN if isinstance(came, TakenLog) else Entry.KNOWN
    old = known.get(file.log)
    if old is None or own is Entry.KNOWN:
        return own
    if file.path == old.path:  # the operator changed the sidecar or a profile
        part = came.part if isinstance(came, TakenLog) else ""
        return Entry.KNOWN if (file.stamp, part) == (old.stamp, old.part) else own
    _look_at_claim(con, came, old.vehicle)
    return Entry.KNOWN


def _look_at_claim(con: duckdb.DuckDBPyConnection, came: _Came, vehicle: str) -> None:
    """The same bytes under another vehicle's name: the first claim stands, the second is on record."""
    if not isinstance(came, TakenLog) or came.vehicle == vehicle:
        return
    log, detail = came.file.log, f"the same bytes came as {came.file.name!r} for vehicle {came.vehicle!r}"
    con.execute("DELETE FROM log_faults WHERE log = ? AND kind = 'claimed twice' AND detail = ?", [log, detail])
    con.execute("INSERT INTO log_faults VALUES (?, 'claimed twice', '', 1, NULL, ?)", [log, detail])
    changed(con, [log], ["log_faults"])


def _replace(con: duckdb.DuckDBPyConnection, fresh: Sequence[TakenLog], known: Collection[str], now: int) -> None:
    """Enter logs, in place of what was known of the same bytes; the time at which they were first received stays.
    known: logs that are in the ledger."""
    if not fresh:
        return
    logs = [t.file.log for t in fresh]
    received: dict[str, datetime] = {}
    if old := [log for log in logs if log in known]:
        let_go(con, old, now, "decoded again")
        first = "SELECT log, received_t FROM logs WHERE log IN (SELECT unnest(?))"
        received = dict(con.execute(first, [old]).fetchall())
        _delete(con, old)
    con.execute("DELETE FROM retired WHERE part IN (SELECT unnest(?))", [[t.part for t in fresh]])
    mended = [logs, [t.file.path for t in fresh]]
    con.execute("DELETE FROM quarantine WHERE log IN (SELECT unnest(?)) OR path IN (SELECT unnest(?))", mended)
    put(con, _rows(fresh, now, {log: micros(moment) for log, moment in received.items()}))
    _write_anew(con, fresh)


def _write_anew(con: duckdb.DuckDBPyConnection, fresh: Sequence[TakenLog]) -> None:
    """Serials of earlier logs as they are written now."""
    formed = [(t.vehicle, s) for t in fresh for s in t.serials if s.digits and s.digits != s.serial]
    if not formed:
        return
    rows = [{"vehicle": v, "component": s.component, "digits": s.digits, "serial": s.serial} for v, s in formed]
    written = pl.DataFrame(rows).unique(["vehicle", "component", "digits"], keep="last", maintain_order=True)
    with registered(con, "written", written):
        logs = [row["log"] for row in ask(con, __name__, "serials_anew")]
        con.execute(statement(__name__, "write_serials_anew"))
    changed(con, logs, ["log_serials"])


def withdraw(con: duckdb.DuckDBPyConnection, logs: list[str], now: int) -> None:
    """Take logs out of use: nothing of them is left in the ledger, as if they had been refused at first."""
    let_go(con, logs, now, "withdrawn")
    _delete(con, logs)


def _delete(con: duckdb.DuckDBPyConnection, logs: list[str]) -> None:
    for table in OF_A_LOG:
        con.execute(f"DELETE FROM {table} WHERE log IN (SELECT unnest(?))", [logs])
    dropped(con, logs, [t for t in OF_A_LOG if t != "parts"])  # that one was let go


def let_go(con: duckdb.DuckDBPyConnection, logs: list[str], now: int, why: str) -> None:
    """Take logs out of their parts; a part that holds nothing else is retired."""
    con.execute(statement(__name__, "retire_parts"), {"logs": logs, "now": now, "why": why})
    con.execute("DELETE FROM parts WHERE log IN (SELECT unnest(?))", [logs])
    dropped(con, logs, ["parts"])


def _rows(fresh: Sequence[TakenLog], now: int, received: Mapping[str, int]) -> dict[str, pl.DataFrame]:
    """Rows by table, in the columns of the schema. received: of logs that came before now, microseconds UTC."""
    tables: dict[str, list[Row]] = {name: [] for name in OF_A_LOG}
    for t in fresh:
        report, key = t.report, {"log": t.file.log}
        tables["logs"].append(_log_row(t, received.get(t.file.log, now)))
        tables["parts"].append(key | {"part": t.part, "hash": t.part_hash})
        tables["log_messages"] += [key | flat(m) for m in report.messages]
        tables["log_buses"] += [key | flat(b) for b in t.buses]
        tables["log_faults"] += [key | flat(f) for f in report.faults]
        tables["log_spans"] += [key | {"start_t": s.start, "end_t": s.end, "dated": s.dated} for s in t.spans]
        tables["log_doubts"] += [key | {"start_t": a, "end_t": b} for a, b in t.doubts]
        tables["log_facts"] += [key | {"fact": k, "value": v} for k, v in sorted(t.facts.items())]
        tables["log_serials"] += [key | {k: v for k, v in flat(s).items() if k != "digits"} for s in t.serials]
    return {name: _timed(rows) for name, rows in tables.items() if rows}


def _log_row(t: TakenLog, now: int) -> Row:
    file, report = t.file, t.report
    dated = [s for s in t.spans if s.dated]
    lost = any(f.kind.startswith("lost") for f in report.faults)
    return {
        "log": file.log,
        "name": file.name,
        "path": file.path,
        "size_bytes": file.size_bytes,
        "format": report.format,
        "status": "partial" if lost else "whole",
        "received_t": now,
        "vehicle": t.vehicle,
        "identity_by": t.identity_by,
        "profile": t.profile,
        "profile_hash": t.profile_hash,
        "network_hash": t.network_hash,
        "clock": t.clock,
        "clock_notes": list(t.clock_notes),
        "start_t": min(s.start for s in dated),
        "end_t": max(s.end for s in dated),
        "frames": report.frames,
        "frames_known": report.known,
        "frames_error": report.error,
        "frames_remote": report.remote,
        "lost_bytes": report.lost_bytes,
        "part": t.part,
        "part_hash": t.part_hash,
        "part_bytes": t.part_bytes,
        "clock_shift_us": t.clock_shift_us,
        "bench": t.bench,
        "zone": t.zone,
    }


def _timed(rows: list[Row]) -> pl.DataFrame:
    frame = pl.DataFrame(rows, infer_schema_length=None)
    nothing = [n for n, t in frame.schema.items() if t == pl.Null]
    return frame.drop(nothing).with_columns(pl.col(n).cast(US) for n in frame.columns if n.endswith("_t"))


def _quarantine(con: duckdb.DuckDBPyConnection, q: QuarantinedLog, now: int) -> None:
    file = q.file
    given = {"log": file.log or file.path, "name": file.name, "path": file.path, "size_bytes": file.size_bytes}
    given |= {"reason": q.reason, "detail": q.detail, "advice": q.advice, "now": now, "again": q.again}
    con.execute(statement(__name__, "enter_quarantine"), given)


def _remember(con: duckdb.DuckDBPyConnection, entries: Iterable[tuple[_Came, Entry]]) -> None:
    """What was made of each file, so that it is looked at again only when it changes."""
    rows = [
        {
            "path": o.file.path,
            "size_bytes": o.file.size_bytes,
            "stamp": o.file.stamp,
            "log": o.file.log,
            "outcome": e.value,
        }
        for o, e in entries
    ]
    forget_seen(con, "path", [str(r["path"]) for r in rows])
    put(con, {"seen": pl.DataFrame(rows)})


def _new_from(fresh: Iterable[TakenLog], vehicles: Collection[str], known: Mapping[str, _Known]) -> dict[str, int]:
    """When the first new log of each vehicle begins (microseconds UTC), of those to which nothing else happened."""
    found: dict[str, int] = {}
    for taken in fresh:
        begins = [span.start for span in taken.spans if span.dated]
        found[taken.vehicle] = min([*begins, found.get(taken.vehicle, begins[0])])
    again = {one.vehicle for log, one in known.items()} | {t.vehicle for t in fresh if t.file.log in known}
    return {v: t for v, t in found.items() if v in vehicles and v not in again}


def touch(
    con: duckdb.DuckDBPyConnection, vehicles: Sequence[str], since: Mapping[str, int] = MappingProxyType({})
) -> None:
    """Mark vehicles for assessment and bring their rows in `vehicles` and `installs` up to date. since: before which
    (microseconds UTC) nothing of a vehicle changed; without it anything may have."""
    if not vehicles:
        return
    begins = pl.Series("from_t", [since.get(v) for v in vehicles], pl.Int64).cast(US)
    con.register("chosen", pl.DataFrame([pl.Series("vehicle", list(vehicles), pl.String), begins]))
    for table in ("vehicles", "installs"):
        con.execute(f"DELETE FROM {table} WHERE vehicle IN (SELECT vehicle FROM chosen)")
        con.execute(statement(__name__, f"enter_{table}"))
    con.execute(statement(__name__, "mark_touched"))
    con.unregister("chosen")


def retry(store: Store, names: Sequence[str] | None = None) -> list[Path]:
    """Forget what is in quarantine (all, or by file name or hash), so that they are tried again; where they are."""
    with transaction(store.catalogue) as con:
        found = ask(con, __name__, "quarantined_paths", all=names is None, names=list(names or ()))
        paths = [row["path"] for row in found]
        forget_seen(con, "path", paths)
    return [Path(p) for p in paths if os.path.isfile(p)]


def forget_removed(store: Store, paths: Sequence[str]) -> None:
    """Take out of quarantine what is not there any more, or not in the way; it is new should it come back."""
    if paths:
        with transaction(store.catalogue) as con:
            con.execute("DELETE FROM quarantine WHERE path IN (SELECT unnest(?))", [list(paths)])
            forget_seen(con, "path", paths)
