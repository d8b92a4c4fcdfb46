"""A catalogue in memory with the project's own schema, and rows for it: what a scan would leave behind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import duckdb

import herdbook.pipeline

SCHEMA = Path(herdbook.pipeline.__file__).parent / "store" / "schema"
T0 = datetime(2026, 3, 1, 6, 0)
AT_ONCE = 100  # rows of one statement


def catalogue() -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    for path in sorted(SCHEMA.glob("*.sql")):
        con.execute(path.read_text("utf-8"))
    return con


def insert(con: duckdb.DuckDBPyConnection, table: str, **values: object) -> None:
    """One row; columns not named get a harmless value of their type (NULL where the schema allows it)."""
    insert_rows(con, table, [values])


def insert_rows(con: duckdb.DuckDBPyConnection, table: str, rows: Sequence[Mapping[str, object]]) -> None:
    """insert() of many rows, in a tenth of the time."""
    columns = con.execute(f"PRAGMA table_info('{table}')").fetchall()
    harmless = {name: _harmless(kind) if must else None for _, name, kind, must, _, _ in columns}
    for row in rows:
        assert set(row) <= set(harmless), f"no such column in {table}: {set(row) - set(harmless)}"
    places = f"({', '.join('?' for _ in harmless)})"
    for first in range(0, len(rows), AT_ONCE):
        some = rows[first : first + AT_ONCE]
        values = [row.get(name, value) for row in some for name, value in harmless.items()]
        con.execute(f"INSERT INTO {table} VALUES {', '.join([places] * len(some))}", values)


def _harmless(kind: str) -> object:
    if kind.endswith("]"):
        return []
    return {"VARCHAR": "", "BIGINT": 0, "DOUBLE": 0.0, "TIMESTAMP": T0, "DATE": T0.date()}.get(kind, "")


def scan(con: duckdb.DuckDBPyConnection, name: str, day: int, state: str = "complete", logs_new: int = 1) -> str:
    insert(con, "scans", scan=name, started_t=T0 + timedelta(days=day), state=state, logs_new=logs_new)
    return name


def log(con: duckdb.DuckDBPyConnection, vehicle: str, day: float) -> None:
    start = T0 + timedelta(days=day)
    insert(con, "logs", log=f"{vehicle}-{day}", vehicle=vehicle, start_t=start, end_t=start + timedelta(hours=1))


def session(con: duckdb.DuckDBPyConnection, vehicle: str, day: float, kind: str = "ride") -> None:
    start = T0 + timedelta(days=day)
    insert(con, "sessions", vehicle=vehicle, start_t=start, end_t=start + timedelta(hours=1), kind=kind)


def logged(
    con: duckdb.DuckDBPyConnection,
    by: str,
    vehicle: str,
    rule: str,
    change: str,
    severity: str,
    before: str | None = None,
    statement: str = "said so",
) -> None:
    insert(
        con,
        "finding_log",
        scan=by,
        vehicle=vehicle,
        rule=rule,
        change=change,
        severity=severity,
        severity_before=before,
        statement=statement,
    )


def stands(con: duckdb.DuckDBPyConnection, vehicle: str, rule: str, severity: str) -> None:
    insert(
        con,
        "findings",
        finding=f"{vehicle}/{rule}",
        vehicle=vehicle,
        rule=rule,
        title=f"Title of {rule}",
        severity=severity,
        statement=f"{rule} speaks",
    )
