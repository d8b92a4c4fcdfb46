"""Many results from a few workers: in order of completion, bounded in memory and in time."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from queue import Empty, SimpleQueue
from typing import Any, Protocol, TypeVar

from herdbook.flows.request import TOO_LONG, TOO_LONG_DO
from herdbook.pipeline.errors import HerdbookError

I = TypeVar("I")  # noqa: E741
R = TypeVar("R")
R_co = TypeVar("R_co", covariant=True)


class Promise(Protocol[R_co]):
    """What a future of Prefect and one of the standard library have in common."""

    def add_done_callback(self, fn: Callable[[Any], None]) -> None: ...
    def result(self) -> R_co: ...


def rolling(submit: Callable[[I], Promise[R]], items: Iterable[I], most: int, until: float) -> Iterator[R]:
    """Results in order of completion, with at most so many items under way; the first error ends it.

    until: on the monotonic clock; a night that is not done by then ends. Raises: HerdbookError then.
    """
    done: SimpleQueue[Promise[R]] = SimpleQueue()

    def one() -> R:
        try:
            return done.get(timeout=max(0.0, until - time.monotonic())).result()
        except Empty:
            raise HerdbookError(TOO_LONG, do=TOO_LONG_DO) from None

    under_way = 0
    for item in items:
        if under_way >= most:
            yield one()
            under_way -= 1
        submit(item).add_done_callback(done.put)
        under_way += 1
    for _ in range(under_way):
        yield one()
