"""The night's steps as Prefect tasks, with names an operator understands.

Tasks run in threads and hand the heavy work to worker processes. Prefect's own process runner was measured at
145 ms a task and threads at 7 ms (Prefect 3.9, two cores); and there one crashed process fails every task under way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from prefect import get_client, get_run_logger, task
from prefect.cache_policies import NO_CACHE
from prefect.client.schemas.objects import State, TaskRun
from prefect.tasks import Task

from herdbook.flows.night.in_task import assess_safely, take_bundle
from herdbook.flows.night.shared_workers import WorkerLimits
from herdbook.pipeline.assess.plan import PlanGroup
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.intake.outcome import Outcome, QuarantinedLog
from herdbook.pipeline.night.failures import GroupOutcome
from herdbook.pipeline.settings import NightSettings
from herdbook.pipeline.store.store import Store

P = ParamSpec("P")
R = TypeVar("R")
TAGS = ["herdbook"]
TAKE, ASSESS = "herdbook-take", "herdbook-assess"  # Prefect counts running tasks by tag


def _worth_retrying(_task: Task[..., Any], _run: TaskRun, state: State[Any]) -> bool:
    """What a person must mend is not mended by waiting; a machine that went away may come back."""
    return not isinstance(state.result(raise_on_failure=False), HerdbookError)


def limit_tasks(settings: NightSettings) -> None:
    """Tell the server how many of our tasks may run at one time. One that is set there already stays unless
    [night] names one: an operator may have set it by hand."""
    wanted = {TAKE: settings.take_limit, ASSESS: settings.assess_limit}
    if not any(wanted.values()):
        return
    with get_client(sync_client=True) as client:
        for tag, most in wanted.items():
            if most:
                client.upsert_global_concurrency_limit_by_name(f"tag:{tag}", most)


@task(
    name="take logs",
    task_run_name="{label}",
    tags=[TAKE],
    cache_policy=NO_CACHE,
    persist_result=False,
    retries=2,
    retry_delay_seconds=[5, 30],
    retry_condition_fn=_worth_retrying,
)
def take_task(label: str, store: Store, paths: Sequence[Path], limits: WorkerLimits) -> list[Outcome]:
    outcomes = take_bundle(store, paths, limits)
    logger = get_run_logger()
    for taken in outcomes:
        if isinstance(taken, QuarantinedLog):
            logger.warning("%s goes to quarantine: %s. %s", taken.file.name, taken.reason, taken.detail)
    return outcomes


@task(
    name="assess vehicles",
    task_run_name="{label}",
    tags=[ASSESS],
    cache_policy=NO_CACHE,
    persist_result=False,
    retries=2,
    retry_delay_seconds=[5, 30],
    retry_condition_fn=_worth_retrying,
)
def assess_task(label: str, store: Store, work: PlanGroup, limits: WorkerLimits) -> GroupOutcome:
    seen = assess_safely(store, work, limits)
    for vehicle, problem in seen.problems.items():
        get_run_logger().warning("%s could not be assessed tonight: %s", vehicle, problem)
    return seen


def visible_step(name: str, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
    """A step that writes, as a task that runs here and now: one after the other, visible beside the rest."""
    wrapped: Task[P, R] = Task(
        function, name=name, task_run_name=name, tags=TAGS, cache_policy=NO_CACHE, persist_result=False
    )
    return wrapped(*args, **kwargs)


def label(paths: Sequence[Path]) -> str:
    """What an operator reads: the log's name, or how many and which first."""
    first = f"{paths[0].parent.name}/{paths[0].name}".replace("{", "(").replace("}", ")")
    return f"take {first}" if len(paths) == 1 else f"take {len(paths)} logs from {first}"


def group_label(vehicles: Sequence[str]) -> str:
    """The vehicle's name, or how many and which first."""
    first = vehicles[0].replace("{", "(").replace("}", ")")
    return f"assess {first}" if len(vehicles) == 1 else f"assess {len(vehicles)} vehicles from {first}"
