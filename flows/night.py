"""The nightly scan as a Prefect flow: tasks around the steps of flows.work, names an operator understands,
and artifacts that show what is new. It only wraps; results are those of the same steps without Prefect.

Tasks run in threads and hand the heavy work to a crew of processes. Prefect's own process runner was
measured at 145 ms a task and threads at 7 ms (Prefect 3.9, two cores); and there one crashed process fails
all tasks.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, ParamSpec, TypeVar
from zoneinfo import ZoneInfo

from prefect import flow, get_run_logger, task
from prefect.cache_policies import NO_CACHE
from prefect.client.schemas.objects import State, TaskRun
from prefect.runtime import flow_run
from prefect.states import Completed
from prefect.tasks import Task

from flows.artifacts import show_changes
from flows.hands import Hands, Seen, assess_safely, dismiss, take_bundle
from flows.once import Request
from flows.plan import read_plan
from flows.runner import task_runner
from flows.work import AHEAD, carry_out, rolling
from pipeline.assess import Work
from pipeline.errors import HerdbookError
from pipeline.store import Store
from pipeline.taken import Taken

P = ParamSpec("P")
R = TypeVar("R")
TAGS = ["herdbook"]
STATE_NAMES = {0: "Completed", 10: "Service news", 20: "Stop-use news", 30: "Logs in quarantine"}


def _worth_retrying(_task: Task[..., Any], _run: TaskRun, state: State[Any]) -> bool:
    """What a person must mend is not mended by waiting; a worker machine that went away may come back."""
    return not isinstance(state.result(raise_on_failure=False), HerdbookError)


@task(
    name="take logs", task_run_name="{label}", tags=[*TAGS, "take"], cache_policy=NO_CACHE, persist_result=False,
    retries=2, retry_delay_seconds=[5, 30], retry_condition_fn=_worth_retrying,
)  # fmt: skip
def take_task(label: str, store: Store, paths: Sequence[Path], hands: Hands) -> list[Taken]:
    takens = take_bundle(store, paths, hands)
    logger = get_run_logger()
    for taken in takens:
        if taken.outcome == "quarantined":
            logger.warning("%s goes to quarantine: %s. %s", taken.name, taken.reason, taken.detail)
    return takens


@task(
    name="assess vehicle", task_run_name="assess {vehicle}", tags=[*TAGS, "assess"], cache_policy=NO_CACHE,
    persist_result=False, retries=2, retry_delay_seconds=[5, 30], retry_condition_fn=_worth_retrying,
)  # fmt: skip
def assess_task(vehicle: str, store: Store, work: Work, hands: Hands) -> Seen:
    seen = assess_safely(store, work, hands)
    if seen.problem:
        get_run_logger().warning("%s could not be assessed tonight: %s", vehicle, seen.problem)
    return seen


@dataclass(frozen=True, slots=True)
class Tasks:
    """The steps as Prefect tasks: take and assess side by side, everything that writes one after the
    other."""

    until: float

    def take(self, store: Store, work: Iterable[list[Path]], hands: Hands) -> Iterator[list[Taken]]:
        return rolling(
            lambda paths: take_task.submit(label(paths), store, paths, hands),
            work, hands.processes * AHEAD, self.until,
        )  # fmt: skip

    def assess(self, store: Store, work: Iterable[Work], hands: Hands) -> Iterator[Seen]:
        return rolling(
            lambda one: assess_task.submit(one.vehicle, store, one, hands),
            work, hands.processes * AHEAD, self.until,
        )  # fmt: skip

    def step(self, name: str, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        wrapped: Task[P, R] = Task(
            function, name=name, task_run_name=name, tags=[*TAGS, "write"], cache_policy=NO_CACHE, persist_result=False
        )
        return wrapped(*args, **kwargs)


def label(paths: Sequence[Path]) -> str:
    """What an operator reads: the log's name, or how many and which first."""
    first = f"{paths[0].parent.name}/{paths[0].name}".replace("{", "(").replace("}", ")")
    return f"take {first}" if len(paths) == 1 else f"take {len(paths)} logs from {first}"


def night_name() -> str:
    """`night of 2026-03-01 02:30`, in the store's zone."""
    given = flow_run.parameters or {}
    try:
        zone = read_plan(given["store"]).zone
    except (HerdbookError, KeyError):
        zone = "UTC"
    return f"night of {datetime.now(ZoneInfo(zone)):%Y-%m-%d %H:%M}"


@flow(name="nightly scan", flow_run_name=night_name, retries=1, retry_delay_seconds=60, persist_result=False)
def night(store: str, inbox: str = "", workers: int = 0) -> State[dict[str, Any]]:
    """Take in what is new, assess the vehicles it touches, publish, and tell. inbox, workers: else as in the
    store's herdbook.toml."""
    plan = read_plan(store)
    plan = replace(plan, inbox=inbox or plan.inbox, workers=workers or plan.workers)
    return scan_as_flow(Request("night", plan.inbox, store, plan))


def scan_as_flow(request: Request) -> State[dict[str, Any]]:
    """Run the steps as tasks of the flow we are in; its final state says by name what the night is about."""
    until = time.monotonic() + request.plan.limit_h * 3600
    try:
        result = carry_out(request, Tasks(until), PROGRESS[-1])
    finally:
        dismiss()
    show_changes(result)
    return Completed(name=STATE_NAMES.get(result["exit_code"], "Completed"), message=result["headline"], data=result)


def _silent(_stage: str, _done: int, _of: int) -> None:
    return


PROGRESS: list[Callable[[str, int, int], None]] = [_silent]


def run(request: Request, progress: Callable[[str, int, int], None]) -> dict[str, Any]:
    """The flow once, in this process. Raises: what the steps raise."""
    PROGRESS.append(progress)
    asked = night.with_options(task_runner=task_runner(request.plan), retries=0)
    return asked(request.store, request.inbox, request.plan.workers)  # type: ignore[return-value]
