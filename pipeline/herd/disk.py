"""Room on the disk, what is kept how long, and what in the store is about persons."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

# signal names that look like a position on a map; a rotor's position is none
PLACE = re.compile(
    r"(?i:gps|gnss|latitude|longitude)|(?:^|[^A-Za-z])(?i:lat|lon|lng)(?:[^A-Za-z]|$)|(?:Lat|Lon|Lng)(?![a-z])"
)
RECENT_DAYS = 30


@dataclass(frozen=True, slots=True)
class Room:
    """Sizes in bytes; those of a far lake as the ledger has them. a_day: growth of the disk's lake and catalogue by the
    logs of the last RECENT_DAYS days of intake; None when all came in on one day. days_left: until the disk is full at
    that pace."""

    lake: int
    files: int
    catalogue: int
    published: int
    other: int
    free: int
    a_day: float | None
    parts_days: float | None
    grace_hours: float
    places: tuple[str, ...]

    @property
    def days_left(self) -> float | None:
        return self.free / self.a_day if self.a_day else None


def room(store: Store, con: duckdb.DuckDBPyConnection) -> Room:
    """What the store's folder holds now."""
    far = store.lake.far
    lake = _entered(con) if far else [held.size for held in store.lake.parts()]
    catalogue, published = _size(store.catalogue), _size(store.fleet)
    every = sum(_size(p) for p in store.folder.rglob("*") if p.is_file())
    kept = sum(lake)
    other = max(0, every - (0 if far else kept) - catalogue - published)
    pace = _pace(con, far, catalogue + published)
    free = shutil.disk_usage(store.folder).free
    settings = store.settings
    return Room(
        kept, len(lake), catalogue, published, other, free, pace, settings.parts_days, settings.grace_hours, places(con)
    )


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _entered(con: duckdb.DuckDBPyConnection) -> list[int]:
    """Bytes of each part as its logs came in; asking a far lake would take a page the longer the larger it is."""
    sql = "SELECT sum(l.part_bytes)::BIGINT FROM parts p JOIN logs l USING (log) GROUP BY p.part"
    return [size for (size,) in con.execute(sql).fetchall()]


def _pace(con: duckdb.DuckDBPyConnection, far: bool, catalogues: int) -> float | None:
    """Bytes a day on our disk: parts as they came in, and the catalogues in proportion to the logs."""
    row = con.execute(
        f"""WITH recent AS (SELECT * FROM logs WHERE received_t >= (SELECT max(received_t) FROM logs)
            - INTERVAL {RECENT_DAYS} DAY)
            SELECT sum(part_bytes), count(*), epoch(max(received_t) - min(received_t)) / 86400,
            (SELECT count(*) FROM logs) FROM recent"""
    ).fetchone()
    if row is None or not row[3] or row[2] is None or row[2] < 1:
        return None
    parts, logs, days, all_logs = row
    return float(((0 if far else parts) + catalogues * logs / all_logs) / days)


def places(con: duckdb.DuckDBPyConnection) -> tuple[str, ...]:
    """Signals of the lake whose names look like a position on a map, as view.column."""
    rows = con.execute(
        "SELECT table_schema || '.' || table_name || '.' || column_name, column_name FROM information_schema.columns "
        "WHERE table_schema <> 'main' AND NOT starts_with(table_name, '_') ORDER BY 1"
    ).fetchall()
    return tuple(full for full, column in rows if PLACE.search(column))
