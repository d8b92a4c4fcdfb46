"""A whole scan: find, take, commit, assess, commit, publish. May be killed at any instruction; the next one goes on.

The command line calls run_scan(); the nightly flow wraps the same steps. One scan at a time holds the store.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

from herdbook.pipeline.assess.assess import Assessed, assess, vehicles_touched
from herdbook.pipeline.assess.commit import commit_assessed, worst_first
from herdbook.pipeline.assess.plan import planned
from herdbook.pipeline.assess.versions import rule_set_version
from herdbook.pipeline.errors import DamagedPartError, HerdbookError, StoreError
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.intake.inbox import new_logs, stamp_of
from herdbook.pipeline.intake.ledger import commit, retry, touch
from herdbook.pipeline.intake.outcome import LogFile, Outcome, QuarantinedLog
from herdbook.pipeline.intake.take_log import part_path, take_log
from herdbook.pipeline.night.close import close, note_steps
from herdbook.pipeline.night.workers import Crew, Done, WorkerLost, warm_up
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import from_micros, now_us

Progress = Callable[[int, int, str], None]
COUNTS = ("logs_new", "logs_known", "quarantined")
COMMIT_LOGS, COMMIT_VEHICLES = 32, 16  # a killed scan does this much twice, and what workers had done meanwhile
LOST = "Raise [take] log_time_s or log_memory_mb if the log is just large, then `herdbook quarantine --retry`"


@dataclass(frozen=True, slots=True)
class ScanResult:
    """What a scan did. changes: rows of finding_log, worst first. failed: why vehicles could not be assessed."""

    scan: str
    logs_new: int = 0
    logs_known: int = 0
    quarantined: int = 0
    vehicles: int = 0
    changes: tuple[dict[str, Any], ...] = ()
    failed: dict[str, str] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)


def run_scan(
    inbox: Path | str, store: Store, jobs: int = 2, progress: Progress | None = None, now: int | None = None
) -> ScanResult:
    """Take in what is new in the inbox, assess what it touches, publish. jobs: worker processes; 0 works in this one.

    Raises: BusyError when another scan holds the store; StoreError when it cannot go on; InputError without an inbox.
    """
    with store.lock("a scan"):
        clear_scratch(store)
        return _scan(store, new_logs(store, inbox), jobs, progress, now)


def run_take(inbox: Path | str, store: Store, jobs: int = 2, progress: Progress | None = None) -> dict[str, int]:
    """Only take logs in; the next scan assesses what they touch and publishes. Returns COUNTS. Raises as run_scan()."""
    with store.lock("taking logs in"):
        clear_scratch(store)
        with Crew(jobs, store.settings.log_time_s, store.settings.log_memory_mb) as crew:
            tell = progress or (lambda done, total, text: None)
            return _take_all(store, new_logs(store, inbox), crew if jobs else None, tell, None)


def retry_quarantine(
    store: Store, names: Sequence[str] | None = None, jobs: int = 2, progress: Progress | None = None
) -> ScanResult:
    """Try logs in quarantine again (all, or by file name or hash), assess and publish."""
    with store.lock("another try at the quarantine"):
        clear_scratch(store)
        return _scan(store, retry(store, names), jobs, progress, None)


def reassess(
    store: Store,
    since: datetime | None = None,
    until: datetime | None = None,
    vehicles: Sequence[str] | None = None,
    jobs: int = 2,
    progress: Progress | None = None,
) -> ScanResult:
    """Assess again what mark() marks, and publish; no log is read."""
    with store.lock("a backfill"):
        clear_scratch(store)
        mark(store, since, until, vehicles)
        return _scan(store, [], jobs, progress, None)


def redecode(store: Store, jobs: int = 2, progress: Progress | None = None) -> ScanResult:
    """Decode logs again whose profile has other DBC files by now (or another name), or whose part an older Herdbook
    wrote; assess and publish.

    A log that is no longer where it was keeps its part.
    """
    with store.lock("decoding again"):
        clear_scratch(store)
        return _scan(store, outdated(store), jobs, progress, None)


def outdated(store: Store) -> list[Path]:
    """Logs whose part would lie elsewhere if taken today (other DBC files, older layout), where they can be read."""
    now = {p.name: p for p in store.profiles()}
    with transaction(store.catalogue) as con:
        rows = con.execute("SELECT path, profile, log, clock_shift_us, part FROM logs ORDER BY path").fetchall()
    return [
        Path(path)
        for path, profile, log, shift, part in rows
        if (profile not in now or part_path(now[profile], log, shift) != part) and Path(path).exists()
    ]


def clear_scratch(store: Store) -> None:
    """Remove what a killed run left behind. Only while holding the lock."""
    shutil.rmtree(store.scratch, ignore_errors=True)
    for path in store.folder.glob(".*.tmp*"):
        path.unlink(missing_ok=True)


def _scan(store: Store, paths: list[Path], jobs: int, progress: Progress | None, now: int | None) -> ScanResult:
    tell = progress or (lambda done, total, text: None)
    store.check_lake()
    if jobs and paths:
        warm_up()
        store.profiles()  # what the end of the scan needs is loaded while workers are still importing
        all_rules()
    scan = begin_scan(store, now)
    clock = [time.monotonic()]
    limits = store.settings
    try:
        with Crew(jobs, limits.log_time_s, limits.log_memory_mb) as crew:
            counts = _take_all(store, paths, crew if jobs else None, tell, now)
            clock.append(time.monotonic())
            changes, failed, vehicles = _assess_all(store, scan, crew if jobs else None, tell)
            clock.append(time.monotonic())
    except BaseException:
        with suppress(StoreError):  # whatever stopped the scan is what the user must hear
            end_scan(store, scan, state="failed")
        raise
    end_scan(store, scan, counts, vehicles)
    steps = dict(zip(("take", "assess"), (b - a for a, b in pairwise(clock)), strict=True))
    note_steps(store, scan, steps)
    close(store, scan)
    tell(0, 1, "publishing")
    publish(store)
    tell(1, 1, "publishing")
    steps["publish"] = time.monotonic() - clock[-1]
    note_steps(store, scan, {"publish": steps["publish"]})
    return ScanResult(scan, **counts, vehicles=vehicles, changes=tuple(changes), failed=failed, seconds=steps)


def _each(crew: Crew | None, function: Callable[[Any], Any], items: Iterable[Any]) -> Iterator[Done[Any, Any]]:
    """Every item through the function, in workers or (crew None) right here."""
    if crew is not None:
        yield from crew.each(function, items)
        return
    for item in items:
        try:
            yield Done(item, result=function(item))
        except Exception as error:
            yield Done(item, error=error)


def _take_all(
    store: Store, paths: Sequence[Path], crew: Crew | None, tell: Progress, now: int | None
) -> dict[str, int]:
    counts = dict.fromkeys(COUNTS, 0)
    held: list[Outcome] = []

    def flush() -> None:
        done = commit(store, held, now)
        for key, n in zip(counts, (done.taken, done.known, done.quarantined), strict=True):
            counts[key] += n
        held.clear()

    tell(0, len(paths), "taking logs in")
    for i, done in enumerate(_each(crew, partial(_take, store, now), paths), start=1):
        held.append(taken_or_lost(done))
        if len(held) >= COMMIT_LOGS:
            flush()
        tell(i, len(paths), "taking logs in")
    flush()
    return counts


def _take(store: Store, now: int | None, path: Path) -> Outcome:
    return take_log(path, store, now=now)


def taken_or_lost(done: Done[Path, Outcome]) -> Outcome:
    """The log taken, or put in quarantine when it took its worker down. Raises: what stops the scan."""
    if done.result is not None:
        return done.result
    if done.error is not None and not isinstance(done.error, WorkerLost | MemoryError):
        raise done.error
    path, kind = Path(done.item), getattr(done.error, "kind", "too large")
    try:
        size, stamp = stamp_of(path)
    except OSError:
        size, stamp = 0, ""
    return QuarantinedLog(LogFile(str(path), path.name, size, stamp), f"its reader {kind}", str(done.error), LOST)


def _assess_all(
    store: Store, scan: str, crew: Crew | None, tell: Progress
) -> tuple[list[dict[str, Any]], dict[str, str], int]:
    vehicles = vehicles_touched(store)
    changes: list[dict[str, Any]] = []
    failed: dict[str, str] = {}
    good: list[Assessed] = []

    def flush() -> None:
        changes.extend(commit_assessed(store, sorted(good, key=lambda a: a.vehicle), scan))
        good.clear()

    tell(0, len(vehicles), "assessing vehicles")
    for i, done in enumerate(_each(crew, partial(assess, store), planned(store, vehicles, COMMIT_VEHICLES)), start=1):
        if done.result is not None:
            good.append(done.result)
        elif isinstance(done.error, StoreError) and not isinstance(done.error, DamagedPartError):
            raise done.error
        else:  # the vehicle stays marked for the next scan; the others go on
            failed[done.item.vehicle] = in_words(done.error)
        if len(good) >= COMMIT_VEHICLES:
            flush()
        tell(i, len(vehicles), "assessing vehicles")
    flush()
    return sorted(changes, key=worst_first), failed, len(vehicles) - len(failed)


def in_words(error: BaseException | None) -> str:
    return str(error) if isinstance(error, HerdbookError | WorkerLost) else f"{type(error).__name__}: {error}"


def begin_scan(store: Store, now: int | None = None) -> str:
    """Enter a scan as running; one that was killed is entered as failed. Returns its name."""
    moment = from_micros(now or now_us())
    with transaction(store.catalogue) as con:
        con.execute("UPDATE scans SET state = 'failed' WHERE state = 'running'")
        row = con.execute("SELECT count(*) FROM scans").fetchone()
        scan = f"{(row[0] if row else 0) + 1:05d} {moment:%Y-%m-%d %H:%M:%S}"
        con.execute("INSERT INTO scans (scan, started_t, state) VALUES (?, ?, 'running')", [scan, moment])
    return scan


def end_scan(
    store: Store, scan: str, counts: dict[str, int] | None = None, vehicles: int = 0, state: str = "complete"
) -> None:
    """Enter how a scan ended. counts: logs_new, logs_known, quarantined."""
    logs = [(counts or {}).get(key, 0) for key in COUNTS]
    with transaction(store.catalogue) as con:
        con.execute(
            """UPDATE scans SET ended_t = now() AT TIME ZONE 'UTC', logs_new = ?, logs_known = ?, quarantined = ?,
               vehicles = ?, rule_set = ?, state = ? WHERE scan = ?""",
            [*logs, vehicles, rule_set_version(), state, scan],
        )


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
