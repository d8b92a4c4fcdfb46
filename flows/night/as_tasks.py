"""The work of a scan as Prefect tasks: bundles of logs, vehicles, and the steps that write."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ParamSpec, TypeVar

from herdbook.flows.night.results import rolling
from herdbook.flows.night.shared_workers import WorkerLimits, end_workers
from herdbook.flows.night.tasks import assess_task, group_label, label, take_task, visible_step
from herdbook.pipeline.assess.plan import MOST_IN_GROUP, PlanGroup
from herdbook.pipeline.intake.outcome import Outcome
from herdbook.pipeline.night.bundles import bundles
from herdbook.pipeline.night.failures import GroupOutcome
from herdbook.pipeline.store.store import Store

TASK_LOGS, LEAST_BYTES = 200, 1e6  # of a bundle: a smaller one costs more as a task than it gains by being shared
AHEAD = 4  # tasks under way for each worker: enough to keep it busy, few enough to bound memory
I = TypeVar("I")  # noqa: E741
P = ParamSpec("P")
R = TypeVar("R")


@dataclass
class AsTasks:
    """A Runner (pipeline/night/steps.py) inside a flow. bundle_mb: size of a bundle of small logs.

    until: on the monotonic clock; work that is not done by then ends the night, and a HerdbookError says so.
    """

    store: Store
    limits: WorkerLimits
    bundle_mb: float
    until: float
    commit_s: float = 2.0
    plan_at_once: int = MOST_IN_GROUP

    def take(self, paths: Sequence[Path]) -> Iterator[Outcome]:
        work = bundles(paths, self.limits.processes, 1e6 * self.bundle_mb, TASK_LOGS, LEAST_BYTES)
        some = rolling(
            lambda paths: take_task.submit(label(paths), self.store, paths, self.limits), work, self._most(), self.until
        )
        return (taken for bundle in some for taken in bundle)

    @property
    def processes(self) -> int:
        return self.limits.processes

    def assess(self, work: Iterable[PlanGroup]) -> Iterator[GroupOutcome]:
        return rolling(
            lambda group: assess_task.submit(group_label(group.vehicles), self.store, group, self.limits),
            work,
            self._most(),
            self.until,
        )

    def run(self, function: Callable[[I], R], items: Sequence[I]) -> list[R | None]:
        return self.limits.workers().in_order(function, items)

    def step(self, name: str, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        return visible_step(name, function, *args, **kwargs)

    def release(self) -> None:
        end_workers()

    def _most(self) -> int:
        return self.limits.processes * AHEAD
