"""A scan's own entry in the catalogue: begun, ended, what it took in and where its time went."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import astuple, dataclass
from typing import TYPE_CHECKING

from herdbook.pipeline.assess.versions import rule_set_version
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.intake.clock import OLDEST
from herdbook.pipeline.intake.ledger import Committed
from herdbook.pipeline.own.files import own_files
from herdbook.pipeline.store.connection import transaction, visit
from herdbook.pipeline.store.statements import statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import S, from_micros, in_words, micros, now_us

if TYPE_CHECKING:
    import duckdb

BACK = 10 * 60 * S  # a clock that is set back by less harms nothing; engineering choice


@dataclass(frozen=True, slots=True)
class LogCounts:
    """What became of the logs of one scan. logs_known: brought nothing new."""

    logs_new: int = 0
    logs_known: int = 0
    quarantined: int = 0

    def plus(self, done: Committed) -> LogCounts:
        return LogCounts(self.logs_new + done.taken, self.logs_known + done.known, self.quarantined + done.quarantined)


def check_clock(store: Store, now: int | None = None) -> None:
    """Logs are judged by this computer's clock: it must not be wrong. now: microseconds UTC.

    Raises: StoreError when it cannot be right.
    """
    now = now_us() if now is None else now
    with visit(store.catalogue, read_only=True) as con:
        row = con.execute(statement(__name__, "last_scan")).fetchone()
    last = micros(row[0]) if row else 0
    if now < OLDEST:
        what = f"this computer's clock says {in_words(now)}, which cannot be"
        raise StoreError(what, store.folder, "Set the clock, then run again; nothing was taken in")
    if now < last - BACK:
        what = f"this computer's clock says {in_words(now)}, but the last scan of this store began at {in_words(last)}"
        do = "Set the clock, then run again; nothing was taken in. If it is right now and was wrong then: herdbook scan"
        raise StoreError(what, store.folder, f"{do} INBOX --trust-clock, once")


def begin_scan(store: Store, now: int | None = None) -> str:
    """Enter a scan as running; one that was killed is entered as failed. now: microseconds UTC. Returns its name."""
    moment = from_micros(now or now_us())
    with transaction(store.catalogue) as con:
        con.execute("UPDATE scans SET state = 'failed' WHERE state = 'running'")
        row = con.execute("SELECT count(*) FROM scans").fetchone()
        scan = f"{(row[0] if row else 0) + 1:05d} {moment:%Y-%m-%d %H:%M:%S}"
        con.execute("INSERT INTO scans (scan, started_t, state) VALUES (?, ?, 'running')", [scan, moment])
    return scan


def ever_scanned(store: Store) -> bool:
    """Whether a scan of this store ever came to its end."""
    with transaction(store.catalogue) as con:
        return con.execute("SELECT 1 FROM scans WHERE state = 'complete' LIMIT 1").fetchone() is not None


def end_scan(
    store: Store,
    scan: str,
    counts: LogCounts | None = None,
    vehicles: int = 0,
    state: str = "complete",
    seconds: Mapping[str, float] | None = None,
) -> None:
    """Enter how a scan ended. vehicles: how many were assessed. state: complete or failed. seconds: spent, by step."""
    given = [*astuple(counts or LogCounts()), vehicles, rule_set_version(own_files(store).judging), state, scan]
    with transaction(store.catalogue) as con:
        con.execute(statement(__name__, "end_scan"), given)
        _enter_steps(con, scan, seconds or {})


def note_steps(store: Store, scan: str, seconds: Mapping[str, float]) -> None:
    """Write down where a scan's time went; safe to repeat. Noted after publication, it is read a scan later."""
    with transaction(store.catalogue) as con:
        _enter_steps(con, scan, seconds)


def _enter_steps(con: duckdb.DuckDBPyConnection, scan: str, seconds: Mapping[str, float]) -> None:
    for step, spent in seconds.items():
        con.execute("INSERT OR REPLACE INTO scan_steps VALUES (?, ?, ?)", [scan, step, spent])
