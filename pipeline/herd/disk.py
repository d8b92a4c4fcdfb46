"""Room on the disk, what is kept how long, and what in the store is about persons."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.store.statements import ask

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
        lake=kept,
        files=len(lake),
        catalogue=catalogue,
        published=published,
        other=other,
        free=free,
        a_day=pace,
        parts_days=settings.parts_days,
        grace_hours=settings.grace_hours,
        places=places(con),
    )


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _entered(con: duckdb.DuckDBPyConnection) -> list[int]:
    """Bytes of each part as its logs came in; asking a far lake would take a page the longer the larger it is."""
    return [row["bytes"] for row in ask(con, __name__, "part_bytes")]


def _pace(con: duckdb.DuckDBPyConnection, far: bool, catalogues: int) -> float | None:
    """Bytes a day on our disk: parts as they came in, and the catalogues in proportion to the logs."""
    [pace] = ask(con, __name__, "intake_pace", days=RECENT_DAYS)
    if not pace["all_logs"] or pace["days"] is None or pace["days"] < 1:
        return None
    parts = 0 if far else pace["bytes"]
    return float((parts + catalogues * pace["logs"] / pace["all_logs"]) / pace["days"])


def places(con: duckdb.DuckDBPyConnection) -> tuple[str, ...]:
    """Signals of the lake whose names look like a position on a map, as view.column."""
    columns = ask(con, __name__, "lake_columns")
    return tuple(c["full_name"] for c in columns if PLACE.search(c["name"]))
