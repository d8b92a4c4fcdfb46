"""Commit what workers took in: one short transaction over ledger, quarantine, vehicles and installs.

The ledger is a function of the logs: the same file again, renamed or in another order, changes nothing in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from herdbook.pipeline.intake.outcome import Taken
from herdbook.pipeline.store.connection import insert, query, transaction
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import now_us
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


def commit(store: Store, takens: Sequence[Taken], now: int | None = None) -> Committed:
    """Write a batch of taken logs into the catalogue, whole or not at all. now: when received, microseconds UTC."""
    now = now_us() if now is None else now
    takens = [t for t in {t.path: t for t in takens}.values() if t.outcome != "gone"]
    if not takens:
        return Committed()
    with transaction(store.catalogue) as con:
        ledger = _ledger(con, [t.log for t in takens])
        fresh: dict[str, Taken] = {}
        outcomes, touched = [], set()
        for t in takens:
            outcome = _outcome(con, t, ledger, fresh)
            outcomes.append((t, outcome))
            if outcome == "taken":
                fresh[t.log] = t
                touched |= {t.vehicle, *([ledger[t.log]["vehicle"]] if t.log in ledger else [])}
        _replace(con, list(fresh.values()), now)
        _quarantine(con, [t for t, o in outcomes if o == "quarantined"], now)
        _remember(con, outcomes)
        touch(con, sorted(touched))
        count = [o for _, o in outcomes].count
    return Committed(count("taken"), count("known"), count("quarantined"), tuple(sorted(touched)))


def _ledger(con: duckdb.DuckDBPyConnection, logs: list[str]) -> dict[str, dict[str, Any]]:
    wanted = """SELECT l.log, l.path, l.vehicle, l.part, s.stamp FROM logs l
        LEFT JOIN seen s ON s.path = l.path AND s.log = l.log WHERE l.log IN (SELECT unnest(?))"""
    names = ("path", "vehicle", "part", "stamp")
    return {log: dict(zip(names, rest, strict=True)) for log, *rest in con.execute(wanted, [logs]).fetchall()}


def _outcome(
    con: duckdb.DuckDBPyConnection, t: Taken, ledger: dict[str, dict[str, Any]], fresh: dict[str, Taken]
) -> str:
    """taken, known or quarantined, given what the ledger has of the same bytes already."""
    if t.log in fresh:
        other = fresh[t.log]
        if t.outcome == "taken" and t.vehicle != other.vehicle:
            _claim(con, t)
        return "known"
    old = ledger.get(t.log)
    if old is None or t.outcome == "known":
        return t.outcome
    if t.path == old["path"]:  # the operator changed the sidecar or a profile
        return "known" if (t.stamp, t.part) == (old["stamp"], old["part"]) else t.outcome
    if t.outcome == "taken" and t.vehicle != old["vehicle"]:
        _claim(con, t)
    return "known"


def _claim(con: duckdb.DuckDBPyConnection, t: Taken) -> None:
    """The same bytes under another vehicle's name: the first claim stands, the second is on record."""
    detail = f"the same bytes came as {t.name!r} for vehicle {t.vehicle!r}"
    con.execute("DELETE FROM log_faults WHERE log = ? AND kind = 'claimed twice' AND detail = ?", [t.log, detail])
    con.execute("INSERT INTO log_faults VALUES (?, 'claimed twice', '', 1, NULL, ?)", [t.log, detail])


def _replace(con: duckdb.DuckDBPyConnection, takens: Sequence[Taken], now: int) -> None:
    if not takens:
        return
    logs = [t.log for t in takens]
    let_go(con, logs, now, "decoded again")
    con.execute("DELETE FROM retired WHERE part IN (SELECT unnest(?))", [[t.part for t in takens]])
    received = dict(con.execute("SELECT log, received_t FROM logs WHERE log IN (SELECT unnest(?))", [logs]).fetchall())
    for table in OF_A_LOG:
        con.execute(f"DELETE FROM {table} WHERE log IN (SELECT unnest(?))", [logs])
    con.execute(
        "DELETE FROM quarantine WHERE log IN (SELECT unnest(?)) OR path IN (SELECT unnest(?))",
        [logs, [t.path for t in takens]],
    )
    for table, rows in _rows(takens, now).items():
        insert(con, table, rows)
    for log, moment in received.items():
        con.execute("UPDATE logs SET received_t = ? WHERE log = ?", [moment, log])


def let_go(con: duckdb.DuckDBPyConnection, logs: list[str], now: int, why: str) -> None:
    """Take logs out of their parts; a part that holds nothing else is retired."""
    con.execute(
        f"""INSERT OR IGNORE INTO retired
            SELECT part, make_timestamp({int(now)}), ? FROM parts GROUP BY part
            HAVING bool_and(log IN (SELECT unnest(?)))""",
        [why, logs],
    )
    con.execute("DELETE FROM parts WHERE log IN (SELECT unnest(?))", [logs])


def _rows(takens: Sequence[Taken], now: int) -> dict[str, pl.DataFrame]:
    """Rows by table, in the columns of the schema."""
    tables: dict[str, list[dict[str, Any]]] = {name: [] for name in OF_A_LOG}
    for t in takens:
        reading = t.reading
        assert reading is not None
        times = [s for s in t.spans if s.dated]
        lost = any(kind.startswith("lost") for kind, *_ in reading.faults)
        tables["logs"].append(
            {
                "log": t.log,
                "name": t.name,
                "path": t.path,
                "size_bytes": t.size_bytes,
                "format": reading.format,
                "status": "partial" if lost else "whole",
                "received_t": now,
                "vehicle": t.vehicle,
                "identity_by": t.identity_by,
                "profile": t.profile,
                "profile_hash": t.profile_hash,
                "network_hash": t.network_hash,
                "clock": t.clock,
                "clock_notes": list(t.clock_notes),
                "start_t": min(s.start for s in times),
                "end_t": max(s.end for s in times),
                "frames": reading.frames,
                "frames_known": reading.known,
                "frames_error": reading.error,
                "frames_remote": reading.remote,
                "lost_bytes": reading.lost_bytes,
                "part": t.part,
                "part_hash": t.part_hash,
                "part_bytes": t.part_bytes,
                "clock_shift_us": t.clock_shift_us,
                "bench": t.bench,
                "zone": t.zone,
            }
        )
        tables["parts"].append({"log": t.log, "part": t.part, "hash": t.part_hash})
        tables["log_messages"] += [{"log": t.log, **m} for m in reading.messages]
        tables["log_buses"] += [{"log": t.log, **b} for b in t.buses]
        names = ("kind", "message", "count", "first_offset", "detail")
        tables["log_faults"] += [{"log": t.log, **dict(zip(names, f, strict=True))} for f in reading.faults]
        tables["log_spans"] += [{"log": t.log, "start_t": s.start, "end_t": s.end, "dated": s.dated} for s in t.spans]
        tables["log_doubts"] += [{"log": t.log, "start_t": a, "end_t": b} for a, b in t.doubts]
        tables["log_facts"] += [{"log": t.log, "fact": k, "value": v} for k, v in sorted(t.facts.items())]
        tables["log_serials"] += [
            {
                "log": t.log,
                "component": s.component,
                "serial": s.serial,
                "from_t": s.from_t,
                "to_t": s.to_t,
                "samples": s.samples,
            }
            for s in t.serials
        ]
    return {name: _timed(rows) for name, rows in tables.items() if rows}


def _timed(rows: list[dict[str, Any]]) -> pl.DataFrame:
    frame = pl.DataFrame(rows, infer_schema_length=None)
    nothing = [n for n, t in frame.schema.items() if t == pl.Null]
    return frame.drop(nothing).with_columns(pl.col(n).cast(US) for n in frame.columns if n.endswith("_t"))


def _quarantine(con: duckdb.DuckDBPyConnection, takens: Iterable[Taken], now: int) -> None:
    for t in takens:
        key = t.log or t.path
        con.execute(
            "INSERT INTO quarantine VALUES (?, ?, ?, ?, ?, ?, ?, make_timestamp(?), make_timestamp(?), 1) "
            "ON CONFLICT (log) DO UPDATE SET name = excluded.name, path = excluded.path, reason = excluded.reason, "
            "detail = excluded.detail, advice = excluded.advice, last_t = excluded.last_t, tries = tries + 1",
            [key, t.name, t.path, t.size_bytes, t.reason, t.detail, t.advice, now, now],
        )


def _remember(con: duckdb.DuckDBPyConnection, outcomes: Sequence[tuple[Taken, str]]) -> None:
    rows = [
        {"path": t.path, "size_bytes": t.size_bytes, "stamp": t.stamp, "log": t.log, "outcome": o} for t, o in outcomes
    ]
    con.execute("DELETE FROM seen WHERE path IN (SELECT unnest(?))", [[r["path"] for r in rows]])
    insert(con, "seen", pl.DataFrame(rows))


def touch(con: duckdb.DuckDBPyConnection, vehicles: Sequence[str]) -> None:
    """Mark vehicles for assessment and bring their rows in `vehicles` and `installs` up to date."""
    if not vehicles:
        return
    con.register("chosen", pl.DataFrame({"vehicle": list(vehicles)}))
    for table in ("vehicles", "installs"):
        con.execute(f"DELETE FROM {table} WHERE vehicle IN (SELECT vehicle FROM chosen)")
        con.execute(f"INSERT INTO {table} BY NAME {query(table).rstrip().rstrip(';')}")
    con.execute("INSERT OR REPLACE INTO touched SELECT vehicle, nextval('tickets') FROM chosen")
    con.unregister("chosen")


def retry(store: Store, names: Sequence[str] | None = None) -> list[Path]:
    """Forget what is in quarantine (all, or by file name or hash), so that they are tried again; where they are."""
    with transaction(store.catalogue) as con:
        wanted = "TRUE" if names is None else "(name IN (SELECT unnest($n)) OR log IN (SELECT unnest($n)))"
        values = {} if names is None else {"n": list(names)}
        paths = [p for (p,) in con.execute(f"SELECT path FROM quarantine WHERE {wanted}", values).fetchall()]
        con.execute("DELETE FROM seen WHERE path IN (SELECT unnest(?))", [paths])
    return [Path(p) for p in paths if Path(p).exists()]
