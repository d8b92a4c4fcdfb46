"""The work of a scan on this machine: in worker processes, or right here."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from math import inf
from pathlib import Path
from typing import ParamSpec, TypeVar

from herdbook.pipeline.assess.plan import MOST_IN_GROUP, PlanGroup
from herdbook.pipeline.intake.outcome import Outcome
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.night.failures import GroupOutcome, after_failure, assess_group, lost_log
from herdbook.pipeline.night.long_logs import is_long, take_safely
from herdbook.pipeline.night.workers import Done, WorkerLost, Workers
from herdbook.pipeline.store.store import Store

BUNDLE_LOGS, BUNDLE_BYTES = 32, 4_000_000  # at most in a bundle: some tenths of a second of work (engineering choice)
AHEAD = 2  # bundles or groups that wait for each worker
I = TypeVar("I")  # noqa: E741
P = ParamSpec("P")
R = TypeVar("R")


class InWorkers:
    """A Runner. jobs: worker processes, each within the limits of the store's settings; 0 works in this process.
    now: when logs are received, microseconds UTC. release() ends the processes."""

    commit_s = inf
    plan_at_once = MOST_IN_GROUP

    def __init__(self, store: Store, jobs: int, now: int | None = None) -> None:
        limits = store.settings
        self.store, self.now, self.processes = store, now, max(1, jobs)
        self.workers = Workers(jobs, limits.log_time_s, limits.log_memory_mb) if jobs else None

    def take(self, paths: Sequence[Path]) -> Iterator[Outcome]:
        """Small logs are taken in bundles. One that loses its worker, or has no memory left, is taken again log by log,
        so that only the log that did it fails. Long logs come last, each by all workers, if there are fewer of them
        than workers."""
        long = [path for path in paths if is_long(path)] if self.workers is not None else []
        long = long if len(long) < self.processes else []
        others = [path for path in paths if path not in long]
        for done in self._each(partial(_take_bundle, self.store, self.now), bundles(others, self.processes)):
            if done.result is not None:
                yield from done.result
            elif len(done.item) == 1:
                yield lost_log(done.item[0], done.why)
            else:
                yield from self._take_singly(done.item, done.why)
        for path in long:
            assert self.workers is not None
            yield take_safely(self.workers, self.store, path, self.now)

    def _take_singly(self, paths: Sequence[Path], lost: BaseException) -> Iterator[Outcome]:
        if not isinstance(lost, WorkerLost | MemoryError):
            raise lost
        for path in paths:
            try:
                if self.workers is None:
                    taken = take_log(path, self.store, now=self.now)
                else:
                    [taken] = self.workers.call(_take_bundle, self.store, self.now, (path,))
            except Exception as error:
                taken = lost_log(path, error)
            yield taken

    def assess(self, work: Iterable[PlanGroup]) -> Iterator[GroupOutcome]:
        again = self._assess_again if self.workers else None
        for done in self._each(partial(assess_group, self.store), work):
            yield done.result if done.result is not None else after_failure(done.item, done.why, again)

    def _assess_again(self, group: PlanGroup) -> GroupOutcome:
        assert self.workers is not None
        return self.workers.call(assess_group, self.store, group)

    def run(self, function: Callable[[I], R], items: Sequence[I]) -> list[R | None]:
        if self.workers is None:
            return [function(item) for item in items]
        return self.workers.in_order(function, items)

    def step(self, name: str, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        return function(*args, **kwargs)

    def release(self) -> None:
        if self.workers is not None:
            self.workers.close()

    def __enter__(self) -> InWorkers:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()

    def _each(self, function: Callable[[I], R], items: Iterable[I]) -> Iterator[Done[I, R]]:
        if self.workers is not None:
            yield from self.workers.each(function, items, AHEAD)
            return
        for item in items:
            try:
                yield Done(item, result=function(item))
            except Exception as error:
                yield Done(item, error=error)


def bundles(paths: Sequence[Path], processes: int) -> Iterator[tuple[Path, ...]]:
    """Logs in order, small ones together: what handing them over costs is spread over many. No more at once than a
    quarter of a worker's part of what is left, so that all end at about the same time."""
    held: list[Path] = []
    size = 0
    for number, path in enumerate(paths):
        try:
            own = os.stat(path).st_size
        except OSError:
            own = 0  # gone meanwhile: taking it will say so
        most = min(BUNDLE_LOGS, (len(paths) - number) // (4 * processes))
        if held and (size + own > BUNDLE_BYTES or len(held) >= most):
            yield tuple(held)
            held, size = [], 0
        held.append(path)
        size += own
    if held:
        yield tuple(held)


def _take_bundle(store: Store, now: int | None, paths: Sequence[Path]) -> list[Outcome]:
    return [take_log(path, store, now=now) for path in paths]
