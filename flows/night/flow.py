"""The nightly scan as a Prefect flow. It only wraps: the steps are those of pipeline/night/steps.py,
and so are the results.

Workers do the pure work; the flow's process, one alone, commits what they bring in short transactions under the
store's lock. A killed night loses at most what was not committed yet, and the next one does just that again.
"""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from prefect import flow
from prefect.client.schemas.objects import State
from prefect.runtime import flow_run
from prefect.states import Completed

from herdbook.flows.night.as_tasks import AsTasks
from herdbook.flows.night.pages import show_changes
from herdbook.flows.night.shared_workers import WorkerLimits, end_workers
from herdbook.flows.night.task_runner import on_cluster, task_runner
from herdbook.flows.night.tasks import limit_tasks, visible_step
from herdbook.flows.night_settings import read_night_settings
from herdbook.flows.request import Request
from herdbook.flows.without_prefect import bounds, changes_of, in_full, send
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.intake.inbox import new_logs
from herdbook.pipeline.night.again import mark
from herdbook.pipeline.night.forks import preload_workers
from herdbook.pipeline.night.messages import alarm
from herdbook.pipeline.night.progress import Progress, silent
from herdbook.pipeline.night.steps import ScanSteps
from herdbook.pipeline.store.store import Store

LOOK = "look into the inbox"
STATE_NAMES = {0: "Completed", 10: "Service news", 20: "Stop-use news", 30: "Incomplete", 40: "Not all assessed"}


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
        result = scan_as_tasks(request)
    finally:
        end_workers()
    show_changes(result)
    return Completed(name=STATE_NAMES.get(result["exit_code"], "Completed"), message=result["headline"], data=result)


def scan_as_tasks(request: Request) -> dict[str, Any]:
    """The night in full, ready for JSON. Raises: BusyError when another scan holds the store; StoreError and InputError
    as they come."""
    store, settings = Store.open(request.store), request.settings
    limits = WorkerLimits(settings.processes, store.settings.log_time_s, store.settings.log_memory_mb)
    until = time.monotonic() + settings.limit_h * 3600
    if not settings.dask:
        preload_workers()  # what workers are forked from begins with its imports meanwhile
    limit_tasks(settings)
    steps = ScanSteps(store, AsTasks(store, limits, settings.bundle_mb, until), PROGRESS[-1])
    if request.kind == "night":
        done = steps.run("the nightly scan", lambda: visible_step(LOOK, new_logs, store, request.inbox))
    else:
        done = steps.run("a backfill", lambda: mark_days(store, request))
    changes = changes_of(store, request, done)
    wanted = bool(settings.notify)
    sent = visible_step("send messages", send, request, store, changes) if wanted else []
    return in_full(request, changes, done, sent)


def mark_days(store: Store, request: Request) -> None:
    """What a backfill is to do again; no log is looked for."""
    since, until = bounds(request)
    mark(store, since, until, request.vehicles or None)


PROGRESS: list[Progress] = [silent]  # the process that runs a flow for a person puts its own on top


def run(request: Request, progress: Progress) -> dict[str, Any]:
    """The flow once, in this process. Raises: what the steps raise."""
    PROGRESS.append(progress)
    asked = night.with_options(task_runner=task_runner(request.settings), retries=0)
    return asked(request.store, request.inbox, request.settings.workers)  # type: ignore[return-value]
