"""Blocks of a long log parsed by several threads at once and given on in their order.

Parsing is numpy over half a megabyte at a time, which lets other threads run meanwhile; so one log keeps several cores
busy without a copy of it for each. What comes out is what one thread would give, block by block.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

from herdbook.decoders.arrays import Bytes
from herdbook.decoders.reading.source import Source

R = TypeVar("R")
LONG_BYTES = 1 << 28  # a shorter log is read before more threads are worth their start; engineering choice
MOST_THREADS = 8  # past that the one thread that decodes what they read is the slower part
UNPACKS = 8  # times that a packed log is at least longer than its file; engineering choice


def threads_for(source: Source) -> int:
    """How many threads should read a log; 1 for a short one."""
    size = source.size * (UNPACKS if source.packed else 1)
    return min(os.cpu_count() or 1, MOST_THREADS) if size >= LONG_BYTES else 1


def parsed(
    blocks: Iterable[tuple[int, Bytes]], parse: Callable[[Bytes], R], threads: int
) -> Iterator[tuple[int, Bytes, R]]:
    """Every block, with its offset, and what parse() makes of it, in order. With several threads some blocks are asked
    for ahead, and parse() is called for them at one time: none may be changed meanwhile."""
    if threads < 2:
        for offset, text in blocks:
            yield offset, text, parse(text)
        return
    waiting: deque[tuple[int, Bytes, Future[R]]] = deque()
    source, trouble = iter(blocks), None
    with ThreadPoolExecutor(threads) as pool:
        while True:
            try:
                offset, text = next(source)
            except StopIteration:
                break
            except Exception as error:  # told behind what came before it
                trouble = error
                break
            waiting.append((offset, text, pool.submit(parse, text)))
            if len(waiting) > 2 * threads:
                offset, text, future = waiting.popleft()
                yield offset, text, future.result()
        while waiting:
            offset, text, future = waiting.popleft()
            yield offset, text, future.result()
    if trouble is not None:
        raise trouble
