"""Doing things again: logs in quarantine, assessments after rules or limits changed, logs decoded with older files."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from herdbook.pipeline.intake.inbox import Found
from herdbook.pipeline.intake.ledger import retry, touch
from herdbook.pipeline.intake.take_log import part_path
from herdbook.pipeline.night.progress import Progress
from herdbook.pipeline.night.scan import scan_found
from herdbook.pipeline.night.steps import ScanResult
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.store import Store


def retry_quarantine(
    store: Store, names: Sequence[str] | None = None, jobs: int = 2, progress: Progress | None = None
) -> ScanResult:
    """Try logs in quarantine again (all, or by file name or hash), assess and publish."""
    return scan_found(store, "another try at the quarantine", lambda: Found(tuple(retry(store, names))), jobs, progress)


def reassess(
    store: Store,
    since: datetime | None = None,
    until: datetime | None = None,
    vehicles: Sequence[str] | None = None,
    jobs: int = 2,
    progress: Progress | None = None,
) -> ScanResult:
    """Assess again what mark() marks, and publish; no log is read."""

    def find() -> None:
        mark(store, since, until, vehicles)

    return scan_found(store, "a backfill", find, jobs, progress)


def redecode(store: Store, jobs: int = 2, progress: Progress | None = None) -> ScanResult:
    """Decode logs again whose profile has other DBC files by now (or another name), or whose part an older Herdbook
    wrote; assess and publish.

    A log that is no longer where it was keeps its part.
    """
    return scan_found(store, "decoding again", lambda: Found(tuple(outdated(store))), jobs, progress)


def outdated(store: Store) -> list[Path]:
    """Logs whose part would lie elsewhere if taken today (other DBC files, older layout), where they can be read."""
    now = {p.name: p for p in store.profiles()}
    refused = {r.name for r in store.refused_profiles()}
    with transaction(store.catalogue) as con:
        rows = con.execute("SELECT path, profile, log, clock_shift_us, part FROM logs ORDER BY path").fetchall()
    return [
        Path(path)
        for path, profile, log, shift, part in rows
        if profile not in refused - now.keys()
        and (profile not in now or part_path(now[profile], log, shift) != part)
        and Path(path).exists()
    ]


def mark(
    store: Store, since: datetime | None = None, until: datetime | None = None, vehicles: Sequence[str] | None = None
) -> int:
    """Mark vehicles with logs in a range of time for a new assessment, sessions in it included; how many vehicles."""
    values: dict[str, Any] = {"since": since or datetime(1, 1, 1), "until": until or datetime(9999, 1, 1)}
    where = "end_t >= $since AND start_t < $until"
    if vehicles is not None:
        values["vehicles"], where = list(vehicles), f"{where} AND vehicle IN (SELECT unnest($vehicles))"
    with transaction(store.catalogue) as con:
        rows = con.execute(f"SELECT DISTINCT vehicle FROM logs WHERE {where} ORDER BY 1", values).fetchall()
        found = [v for (v,) in rows]
        con.execute(f"UPDATE stretches SET fingerprint = '' WHERE {where}", values)
        touch(con, found)
    return len(found)
