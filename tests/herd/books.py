"""A catalogue in memory, and rows for it by the dozen."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import duckdb

from tests.night.tables import T0, catalogue, insert, session

Con = duckdb.DuckDBPyConnection
__all__ = [
    "T0",
    "Con",
    "catalogue",
    "closed",
    "insert",
    "installed",
    "log",
    "metric",
    "session",
    "vehicle",
    "without_book",
]
OF_THE_BOOK = (
    *("stop_use_matters", "serial_conflicts", "part_lives", "rule_outcomes", "complaints_foreseen"),
    "service_book_now",
)


def without_book(con: Con) -> None:
    """As a copy was published before there was a service book."""
    for view in OF_THE_BOOK:
        con.execute(f"DROP VIEW IF EXISTS {view}")
    con.execute("DROP TABLE service_book")


def vehicle(con: Con, name: str, batch: str = "", profile: str = "demo", last: datetime = T0) -> str:
    insert(con, "vehicles", vehicle=name, profile=profile, batch=batch or None, first_t=T0, last_t=last)
    return name


def installed(con: Con, name: str, component: str, serial: str, day: float = 0.0) -> None:
    insert(
        con,
        "installs",
        vehicle=name,
        component=component,
        serial=serial,
        from_t=T0 + timedelta(days=day),
        to_t=T0 + timedelta(days=day + 1),
    )


def metric(con: Con, name: str, of: str, value: float, day: float, item: str = "", unit: str = "1") -> None:
    insert(con, "metrics", vehicle=name, start_t=T0 + timedelta(days=day), name=of, item=item, value=value, unit=unit)


def closed(con: Con, scan: str, day: float, minutes: float = 10.0, **more: Any) -> None:
    """A complete scan on a day after T0 that told its own night."""
    start = T0 + timedelta(days=day)
    given = {"scan": scan, "started_t": start, "ended_t": start + timedelta(minutes=minutes), "state": "complete"}
    insert(con, "scans", **given | more)
    insert(con, "nights", scan=scan, by_scan=scan, as_of=start)


def log(con: Con, name: str, day: float, hours: float = 1.0, received: float | None = None, **more: Any) -> str:
    """A log that begins on a day and was received on a day (else the same)."""
    start = T0 + timedelta(days=day)
    key = f"{name}/{day}"
    given = {
        "log": key,
        "name": f"{key}.log",
        "vehicle": name,
        "profile": "demo",
        "start_t": start,
        "end_t": start + timedelta(hours=hours),
        "status": "whole",
        "frames": 1000,
        "frames_known": 1000,
        "received_t": T0 + timedelta(days=day if received is None else received),
    }
    insert(con, "logs", **given | more)
    return key
