"""Results into commits: few enough to be cheap, often enough to lose little when a scan is killed."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

I = TypeVar("I")  # noqa: E741


def in_batches(
    items: Iterable[I], enough: int, wait_s: float, size: Callable[[I], int] = lambda item: 1
) -> Iterator[list[I]]:
    """Items together until there are enough by their size, and none held back longer than wait_s once the next one
    comes."""
    held: list[I] = []
    since, held_size = time.monotonic(), 0
    for item in items:
        held.append(item)
        held_size += size(item)
        if held_size >= enough or time.monotonic() - since > wait_s:
            yield held
            held, since, held_size = [], time.monotonic(), 0
    if held:
        yield held
