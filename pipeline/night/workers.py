"""Worker processes in which one bad item harms nobody else.

Each worker does one item at a time. One that crashes, stalls or grows beyond its memory is replaced, and
only the item it held fails, with the reason: a pool of concurrent.futures would fail everything that is
under way. Workers are forked from a process that has imported what they need (pipeline/night/forks.py), which costs a
second of processor once and not once a worker; they share no memory with us, and end when we do, however we end.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import signal
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import islice
from multiprocessing.process import BaseProcess
from types import TracebackType
from typing import Any, Generic, ParamSpec, TypeVar

from herdbook.pipeline.night.forks import alone, context
from herdbook.pipeline.night.worker_process import serve

AHEAD = 16  # items waiting for each worker: more than it does while a batch is committed
LOOK_S, LOOK_AT_MOST_S = 0.05, 0.25  # between looks at a busy worker's memory and time; the longer while it is small
MOST_THREADS = 2  # of the column library in a worker: more gain nothing (tests/bench/RESULTS.md) and take memory
START_S = 120.0  # a worker that has not even loaded its job by then is stuck; engineering choice
I = TypeVar("I")  # noqa: E741
R = TypeVar("R")
P = ParamSpec("P")


class WorkerLost(RuntimeError):
    """The worker crashed, stalled or grew too large, and was replaced. kind: crashed | stalled | too large."""

    def __init__(self, kind: str, detail: str) -> None:
        super().__init__(f"{kind}: {detail}")
        self.kind, self.detail = kind, detail


@dataclass(frozen=True, slots=True)
class Done(Generic[I, R]):
    """One item and what became of it: a result, or the error that its function or its worker met."""

    item: I
    result: R | None = None
    error: BaseException | None = None

    @property
    def why(self) -> BaseException:
        """The error of an item that has no result."""
        assert self.error is not None
        return self.error


class Workers:
    """Use as a context. call() blocks its thread; each() keeps all of them busy.

    time_s: per item, None for no limit. memory_mb: resident memory of a worker, None for no limit (and without effect
    where there is no /proc). threads: that the column library may use in each worker. clock: seconds, for time_s.
    """

    def __init__(
        self,
        processes: int,
        time_s: float | None = None,
        memory_mb: float | None = None,
        threads: int | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.processes, self.time_s, self.memory_mb = max(1, processes), time_s, memory_mb
        self.clock = clock
        self.threads = threads or max(1, min(MOST_THREADS, (os.cpu_count() or 1) // self.processes))
        self.idle: queue.LifoQueue[_Worker | None] = queue.LifoQueue()
        for _ in range(self.processes):
            self.idle.put(None)  # started when first needed
        self.all: set[_Worker] = set()

    def call(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        """function(*args) in a worker. Raises: what it raises; WorkerLost.

        After a crash it is tried once more in a fresh worker: somebody may have killed the first one, and that is not
        the item's fault. An item that stalls or swells is not given the same time or memory again.
        """
        try:
            return self._once(function, *args, **kwargs)
        except WorkerLost as lost:
            if lost.kind != "crashed":
                raise
        return self._once(function, *args, **kwargs)

    def _once(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        worker = self.idle.get()
        try:
            if worker is None:
                worker = _Worker(self.threads, self.clock)
                self.all.add(worker)
            return worker.do((function, args, kwargs), self.time_s, self.memory_mb)  # type: ignore[no-any-return]
        finally:
            if worker is not None and not worker.sound:
                self.all.discard(worker)
                worker.end()
                worker = None
            self.idle.put(worker)

    def each(self, function: Callable[[I], R], items: Iterable[I], ahead: int = AHEAD) -> Iterator[Done[I, R]]:
        """Every item through function, in order of completion; an item's failure is in its Done. ahead: items that wait
        for each worker.

        Items are asked for a little before they are needed, and workers go on while our caller does something else."""
        source = iter(items)
        waiting: set[Future[Done[I, R]]] = set()
        ended: queue.SimpleQueue[Future[Done[I, R]]] = queue.SimpleQueue()
        with ThreadPoolExecutor(self.processes) as threads:
            try:
                while True:
                    for item in islice(source, (1 + ahead) * self.processes - len(waiting)):
                        future = threads.submit(self._one, function, item)
                        waiting.add(future)
                        future.add_done_callback(ended.put)
                    if not waiting:
                        return
                    done = ended.get()
                    waiting.remove(done)
                    yield done.result()
            finally:
                for future in waiting:
                    future.cancel()

    def in_order(self, function: Callable[[I], R], items: Sequence[I]) -> list[R | None]:
        """Every item through function, in their order; None where a worker was lost over one. Raises as it does."""
        found: list[R | None] = [None] * len(items)
        for done in self.each(partial(_numbered, function), list(enumerate(items))):
            if done.result is not None:
                found[done.item[0]] = done.result[0]
            elif not isinstance(done.error, WorkerLost):
                raise done.why
        return found

    def _one(self, function: Callable[[I], R], item: I) -> Done[I, R]:
        try:
            return Done(item, result=self.call(function, item))
        except Exception as error:
            return Done(item, error=error)

    def close(self) -> None:
        for worker in list(self.all):
            worker.end()
        self.all.clear()

    def __enter__(self) -> Workers:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None) -> None:
        self.close()


def _numbered(function: Callable[[I], R], item: tuple[int, I]) -> tuple[R]:
    return (function(item[1]),)


class _Worker:
    """One process and our end of the pipe to it."""

    def __init__(self, threads: int, clock: Callable[[], float]) -> None:
        self.clock = clock
        made_with = context()
        self.pipe, theirs = made_with.Pipe()
        self.process: BaseProcess = made_with.Process(target=serve, args=(theirs, threads), daemon=True)
        with alone():
            self.process.start()
        theirs.close()
        self.sound = True

    def do(self, job: tuple[Any, ...], time_s: float | None, memory_mb: float | None) -> Any:
        self.sound = False
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            self.pipe.send_bytes(pickle.dumps(job))
        self._hear(START_S, memory_mb)  # it has started and loaded what the job needs: only now the time counts
        good, answer = self._hear(time_s, memory_mb)
        self.sound = True
        if good:
            return answer
        raise answer

    def _hear(self, time_s: float | None, memory_mb: float | None) -> Any:
        begun, pause = self.clock(), LOOK_S
        while not self.pipe.poll(pause):
            if time_s is not None and self.clock() - begun > time_s:
                raise WorkerLost("stalled", f"took longer than {time_s:g} s")
            size = resident_mb(self.process.pid) if memory_mb is not None else 0.0
            if memory_mb is not None and size > memory_mb:
                raise WorkerLost("too large", f"needed {size:.0f} MB, {memory_mb:.0f} MB are allowed")
            small = memory_mb is None or size < memory_mb / 2
            pause = min(2 * pause, LOOK_AT_MOST_S) if small else LOOK_S
        try:
            return self.pipe.recv()
        except (EOFError, ConnectionResetError):
            self.process.join(60)  # it has let go of the pipe: it is ending
            raise WorkerLost("crashed", _how(self.process.exitcode)) from None

    def end(self) -> None:
        self.pipe.close()
        self.process.kill()
        self.process.join()
        self.process.close()


def _how(code: int | None) -> str:
    if code is not None and code < 0:
        return f"its process was ended by {signal.Signals(-code).name}"
    return f"its process ended with code {code}"


def resident_mb(pid: int | None) -> float:
    """Resident memory of a process; 0 where it cannot be known."""
    try:
        with open(f"/proc/{pid}/statm", encoding="ascii") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    except (OSError, IndexError, ValueError):
        return 0.0
