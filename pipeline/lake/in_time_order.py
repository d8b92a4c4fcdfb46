"""Pieces of one table, each in order of time, to one table in order of time, without all of it in memory at once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Protocol

import numpy as np

from herdbook.decoders.decoding.columns import Table, joined

LEAST = 4096  # rows of a piece read at a time; fewer cost more calls than they save memory


class SortedRows(Protocol):
    """Rows in order of time, of which any stretch can be read; at least one."""

    @property
    def rows(self) -> int: ...

    @property
    def first_t(self) -> int: ...

    @property
    def last_t(self) -> int: ...

    def read(self, first: int, count: int) -> Table: ...


def in_time_order(pieces: Sequence[SortedRows], at_once: int) -> Iterator[Table]:
    """Tables whose rows follow each other in time; of equal times those of earlier pieces first.

    About twice at_once rows are in memory, however many pieces cover the same time. A row comes out once no row that
    was not read yet can stand before it: the place of a row is (time, number of its piece, place in it).
    """
    block = max(LEAST, at_once // max(1, _deepest(pieces)))
    waiting = sorted(((p.first_t, i) for i, p in enumerate(pieces)), reverse=True)  # the next one last
    held: dict[int, Table] = {}
    read = [0] * len(pieces)

    def more(i: int) -> None:
        held[i] = pieces[i].read(read[i], block)
        read[i] += len(held[i])

    while held or waiting:
        known = [(int(table.t[-1]), i) for i, table in held.items() if read[i] < pieces[i].rows]
        place = min(known + waiting[-1:], default=None)  # behind it stand rows that were not read yet
        ready = []
        for i in sorted(held):
            table = held[i]
            end = len(table) if place is None else _before(table, i, place)
            if end:
                ready.append(table.take(slice(end)))
            if end < len(table):
                held[i] = table.take(slice(end, None))
            elif read[i] < pieces[i].rows:
                more(i)
            else:
                del held[i]
        if ready:
            yield joined(ready).in_time()
        elif waiting:
            more(waiting.pop()[1])


def _deepest(pieces: Sequence[SortedRows]) -> int:
    """Pieces that cover one time, at the most."""
    starts, ends = (np.sort(np.array(t, np.int64)) for t in ([p.first_t for p in pieces], [p.last_t for p in pieces]))
    return int((np.arange(1, len(starts) + 1) - np.searchsorted(ends, starts, side="left")).max(initial=0))


def _before(table: Table, piece: int, end: tuple[int, int]) -> int:
    """How many rows of the piece stand at or before the place (time, piece) that another one is known up to."""
    t, other = end
    return int(np.searchsorted(table.t, t, side="right" if piece <= other else "left"))


def cut(tables: Iterable[Table], rows: int) -> Iterator[Table]:
    """The same rows in tables of so many, the last one shorter."""
    held: list[Table] = []
    for table in tables:
        held.append(table)
        while sum(map(len, held)) >= rows:
            whole = joined(held)
            yield whole.take(slice(rows))
            held = [whole.take(slice(rows, None))]
    if sum(map(len, held)):
        yield joined(held)
