"""Results into commits: few enough to be cheap, often enough to lose little when a scan is killed."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from typing import TypeVar

I = TypeVar("I")  # noqa: E741


def in_batches(items: Iterable[I], most: int, wait_s: float) -> Iterator[list[I]]:
    """Items together, at most so many, and none held back longer than wait_s once the next one comes."""
    held: list[I] = []
    since = time.monotonic()
    for item in items:
        held.append(item)
        if len(held) >= most or time.monotonic() - since > wait_s:
            yield held
            held, since = [], time.monotonic()
    if held:
        yield held
