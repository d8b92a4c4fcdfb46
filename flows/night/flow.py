"""The nightly scan as a Prefect flow. It only wraps: the steps are those of pipeline/night/scan.py, and so are the
results.

Workers do the pure work; the flow's process, one alone, commits what they bring in short transactions under the
store's lock. A killed night loses at most what was not committed yet, and the next one does just that again.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from prefect import flow
from prefect.client.schemas.objects import State
from prefect.runtime import flow_run
from prefect.states import Completed

from herdbook.flows.night.pages import show_changes
from herdbook.flows.night.results import in_batches, rolling
from herdbook.flows.night.steps import Hands, bundles, dismiss
from herdbook.flows.night.task_runner import on_cluster, task_runner
from herdbook.flows.night.tasks import assess_task, label, limit_tasks, step, take_task
from herdbook.flows.night_settings import read_night_settings
from herdbook.flows.request import Progress, Request
from herdbook.flows.without_prefect import bounds, changes_of, in_full, send
from herdbook.pipeline.assess.assess import vehicles_touched
from herdbook.pipeline.assess.commit import commit_assessed
from herdbook.pipeline.assess.plan import planned
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.intake.inbox import new_logs
from herdbook.pipeline.intake.ledger import commit
from herdbook.pipeline.night.close import close, note_steps
from herdbook.pipeline.night.messages import alarm
from herdbook.pipeline.night.scan import (
    COMMIT_LOGS,
    COMMIT_VEHICLES,
    COUNTS,
    ScanResult,
    begin_scan,
    clear_scratch,
    end_scan,
    mark,
)
from herdbook.pipeline.night.workers import warm_up
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store

AHEAD = 4  # tasks under way for each worker: enough to keep it busy, few enough to bound memory
COMMIT_S = 2.0  # longest time that finished work waits for its commit
PLAN_AT_ONCE = 8  # vehicles read from the catalogue in one visit
STATE_NAMES = {0: "Completed", 10: "Service news", 20: "Stop-use news", 30: "Incomplete"}


def night_name() -> str:
    """`night of 2026-03-01 02:30`, in the store's zone: when it was due, for Prefect starts it some seconds early."""
    try:
        zone = read_night_settings(str(flow_run.parameters["store"])).zone
    except (HerdbookError, KeyError, TypeError):
        zone = "UTC"
    due: datetime = flow_run.scheduled_start_time or datetime.now(UTC)
    return f"night of {due.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}"


def tell_of_failure(flow: Any, flow_run: Any, state: State[Any]) -> None:
    """A served night that failed for good has nobody who sees its exit code: send a message."""
    if len(PROGRESS) == 1:  # else somebody runs us once, sees the error, and may still finish the night
        alarm(state.message or "no reason given", read_night_settings(str(flow_run.parameters["store"])).notify)


@flow(
    name="nightly scan",
    flow_run_name=night_name,
    retries=1,
    retry_delay_seconds=60,
    persist_result=False,
    on_failure=[tell_of_failure],
    on_crashed=[tell_of_failure],
)
def night(store: str, inbox: str = "", workers: int = 0) -> State[dict[str, Any]]:
    """Take in what is new, assess the vehicles it touches, publish, and tell. inbox, workers: else as in the store's
    herdbook.toml."""
    settings = read_night_settings(store)
    settings = replace(settings, inbox=inbox or settings.inbox, workers=workers or settings.workers)
    if settings.dask and not on_cluster():  # a served night is loaded by name, without our choice of a runner
        there = night.with_options(task_runner=task_runner(settings), flow_run_name="on the cluster", retries=0)
        state: Any = there(store, inbox, workers, return_state=True)
        return state  # type: ignore[no-any-return]
    return as_flow(Request("night", settings.inbox, store, settings))


def as_flow(request: Request) -> State[dict[str, Any]]:
    """The whole scan as tasks of the flow we are in; its final state says by name what the night is about."""
    try:
        result = _Scan(request).run()
    finally:
        dismiss()
    show_changes(result)
    return Completed(name=STATE_NAMES.get(result["exit_code"], "Completed"), message=result["headline"], data=result)


@dataclass
class _Scan:
    """One scan under way."""

    request: Request
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COUNTS, 0))
    failed: dict[str, str] = field(default_factory=dict)
    vehicles: int = 0
    seconds: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.store = Store.open(self.request.store)
        self.until = time.monotonic() + self.request.settings.limit_h * 3600
        limits = self.store.settings
        self.hands = Hands(self.request.settings.processes, limits.log_time_s, limits.log_memory_mb)
        self.tell = PROGRESS[-1]

    def run(self) -> dict[str, Any]:
        """Raises: BusyError when another scan holds the store; StoreError and InputError as they come."""
        store, request = self.store, self.request
        if not request.settings.dask:
            warm_up()  # what workers are forked from begins with its imports meanwhile
        limit_tasks(request.settings)
        with store.lock("the nightly scan" if request.kind == "night" else "a backfill"):
            clear_scratch(store)
            store.check_lake()
            scan = begin_scan(store)
            try:
                self._timed("take", self.take if request.kind == "night" else self.mark)
                self._timed("assess", self.assess, scan)
            except BaseException:
                end_scan(store, scan, state="failed")
                raise
            step("close the scan", end_scan, store, scan, self.counts, self.vehicles)
            note_steps(store, scan, self.seconds)
            step("note what is new", close, store, scan)
            self.tell(0, 1, "publishing")
            self._timed("publish", step, "publish", publish, store)
            note_steps(store, scan, {"publish": self.seconds["publish"]})
            self.tell(1, 1, "publishing")
        done = ScanResult(scan, *self._counted(), vehicles=self.vehicles, failed=self.failed, seconds=self.seconds)
        changes = changes_of(store, request, scan)
        sent = (
            step("send messages", send, request, store, changes, bool(self.failed)) if request.settings.notify else []
        )
        return in_full(changes, done, sent)

    def _counted(self) -> tuple[int, int, int]:
        return self.counts["logs_new"], self.counts["logs_known"], self.counts["quarantined"]

    def _timed(self, name: str, function: Any, *args: Any) -> None:
        begun = time.monotonic()
        function(*args)
        self.seconds[name] = time.monotonic() - begun

    def take(self) -> None:
        """Every new log of the inbox into the store."""
        paths = step("look into the inbox", new_logs, self.store, self.request.inbox)
        work = bundles(paths, self.request.settings.bundle_mb, self.hands.processes)
        self.tell(0, len(paths), "taking logs in")
        results = rolling(
            lambda some: take_task.submit(label(some), self.store, some, self.hands),
            work,
            self.hands.processes * AHEAD,
            self.until,
        )
        done = 0
        for batch in in_batches((taken for result in results for taken in result), COMMIT_LOGS, COMMIT_S):
            committed = commit(self.store, batch)
            news = (committed.taken, committed.known, committed.quarantined)
            self.counts = {k: n + more for (k, n), more in zip(self.counts.items(), news, strict=True)}
            done += len(batch)
            self.tell(done, len(paths), "taking logs in")

    def mark(self) -> None:
        """What a backfill is to do again."""
        since, until = bounds(self.request)
        mark(self.store, since, until, self.request.vehicles or None)

    def assess(self, scan: str) -> None:
        """Every vehicle whose record changed, also those that an earlier night left behind."""
        vehicles = vehicles_touched(self.store)
        self.tell(0, len(vehicles), "assessing vehicles")
        results = rolling(
            lambda work: assess_task.submit(work.vehicle, self.store, work, self.hands),
            planned(self.store, vehicles, PLAN_AT_ONCE),
            self.hands.processes * AHEAD,
            self.until,
        )
        for batch in in_batches(results, COMMIT_VEHICLES, COMMIT_S):
            good = [seen.assessed for seen in batch if seen.assessed is not None]
            commit_assessed(self.store, sorted(good, key=lambda a: a.vehicle), scan)
            self.failed |= {seen.vehicle: seen.problem for seen in batch if seen.assessed is None}
            self.vehicles += len(good)
            self.tell(self.vehicles + len(self.failed), len(vehicles), "assessing vehicles")


def _silent(_done: int, _of: int, _stage: str) -> None:
    return


PROGRESS: list[Progress] = [_silent]  # the process that runs a flow for a person puts its own on top


def run(request: Request, progress: Progress) -> dict[str, Any]:
    """The flow once, in this process. Raises: what the steps raise."""
    PROGRESS.append(progress)
    asked = night.with_options(task_runner=task_runner(request.settings), retries=0)
    return asked(request.store, request.inbox, request.settings.workers)  # type: ignore[return-value]
