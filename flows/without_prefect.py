"""The end of every night, with or without Prefect: read the change list back, send it, put it into one dict."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import datetime
from typing import Any

from herdbook.flows.request import Request
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.night.again import reassess
from herdbook.pipeline.night.changes import NOTHING, QUARANTINED, ChangeList
from herdbook.pipeline.night.message_log import MessageLog
from herdbook.pipeline.night.messages import Delivery, notify
from herdbook.pipeline.night.progress import Progress
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.night.steps import ScanResult
from herdbook.pipeline.store.store import Store


def send(request: Request, store: Store, changes: ChangeList) -> list[Delivery]:
    """The night's one message to each address; none for a backfill, and none without news when so set."""
    wanted = request.settings.when == "always" or bool(changes.exit_code)
    if request.kind != "night" or not wanted or not request.settings.notify:
        return []
    return notify(changes, request.settings.notify, MessageLog(store))


def in_full(request: Request, changes: ChangeList, done: ScanResult, sent: list[Delivery]) -> dict[str, Any]:
    """Everything about the night, ready for JSON; `inbox` for one that looked into an inbox, as a backfill does not."""
    inbox = done.inbox.as_dict() | {"in_words": done.inbox.in_words()}
    numbers = {
        "logs_new": done.logs_new,
        "logs_known": done.logs_known,
        "quarantined": done.quarantined,
        "vehicles": done.vehicles,
        **{f"{step}_s": round(s, 2) for step, s in done.seconds.items()},
    }
    return changes.as_dict() | {
        "exit_code": changes.exit_code or (QUARANTINED if done.inbox.unaccounted else NOTHING),
        "rows": [list(row) for row in changes.rows()],
        "numbers": numbers,
        "failed": [{"vehicle": v, "problem": why} for v, why in sorted(done.failed.items())],
        "messages": [asdict(d) for d in sent],
        **({"inbox": inbox} if request.kind == "night" else {}),
    }


def changes_of(store: Store, request: Request, done: ScanResult) -> ChangeList:
    """What a scan has to tell, with what it alone knows: which files are waiting."""
    changes = last_night(store, request.settings.quiet_days, done.scan)
    assert changes is not None, "a scan closes its night"
    return replace(changes, waiting=tuple((w.path, w.in_words) for w in done.inbox.waiting))


def run_plain(request: Request, progress: Progress) -> dict[str, Any]:
    """A whole night or backfill without Prefect. Raises: HerdbookError."""
    store = Store.open(request.store)
    jobs = request.settings.processes
    if request.kind == "backfill":
        since, until = bounds(request)
        done = reassess(store, since, until, request.vehicles or None, jobs, progress)
    else:
        done = run_scan(request.inbox, store, jobs, progress)
    changes = changes_of(store, request, done)
    return in_full(request, changes, done, send(request, store, changes))


def bounds(request: Request) -> tuple[datetime | None, datetime | None]:
    """First and last moment of a backfill's days (UTC). Raises: SettingsError for a day that is none."""
    try:
        first = datetime.fromisoformat(request.since) if request.since else None
        last = datetime.fromisoformat(request.until).replace(hour=23, minute=59, second=59) if request.until else None
    except ValueError:
        bad = f"{request.since or request.until!r}"
        raise SettingsError(f"{bad} is no day", do="Write days like 2026-01-31") from None
    return first, last
