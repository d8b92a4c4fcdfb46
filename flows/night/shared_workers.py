"""One set of worker processes for all tasks of a process, made where it is first needed."""

from __future__ import annotations

from dataclasses import dataclass

from herdbook.pipeline.night.workers import Workers


@dataclass(frozen=True, slots=True)
class WorkerLimits:
    """How many processes a machine gives to the work, and the limits of each. Goes along with a task, unlike the
    processes themselves."""

    processes: int
    time_s: float
    memory_mb: float

    def workers(self) -> Workers:
        """The processes that all tasks with these limits share in this process."""
        if self not in _SHARED:
            _SHARED[self] = Workers(self.processes, self.time_s, self.memory_mb)
        return _SHARED[self]


_SHARED: dict[WorkerLimits, Workers] = {}


def end_workers() -> None:
    """End all worker processes of this process."""
    while _SHARED:
        _SHARED.popitem()[1].close()
