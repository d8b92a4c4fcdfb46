"""Sorted pieces come out as one sorted table, as sorting all of them at once would give it, with little in memory."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from herdbook.decoders.arrays import I64
from herdbook.decoders.decoding.columns import Table, joined
from herdbook.decoders.decoding.extract import Column
from herdbook.pipeline.lake import in_time_order as module
from herdbook.pipeline.lake.in_time_order import cut, in_time_order


@dataclass
class Rows:
    """A piece that counts what is read of it. n: a number of each row, in file order."""

    t: I64
    n: I64
    reads: list[int] = field(default_factory=list)

    @property
    def rows(self) -> int:
        return len(self.t)

    @property
    def first_t(self) -> int:
        return int(self.t[0])

    @property
    def last_t(self) -> int:
        return int(self.t[-1])

    def read(self, first: int, count: int) -> Table:
        self.reads.append(first)
        some = slice(first, first + count)
        return Table(self.t[some], {"n": Column(self.n[some])})


def pieces_of(t: I64, ends: list[int]) -> list[Rows]:
    """Times in file order, cut, and each piece sorted as it is before it is spilled."""
    out = []
    for a, b in zip([0, *ends], [*ends, len(t)], strict=True):
        if b > a:
            order = np.argsort(t[a:b], kind="stable")
            out.append(Rows(t[a:b][order], np.arange(a, b)[order]))
    return out


SHAPES: dict[str, Callable[[np.random.Generator], I64]] = {
    "in order": lambda r: np.arange(5000),
    "backwards": lambda r: np.arange(5000)[::-1].copy(),
    "all at one time": lambda r: np.zeros(5000, np.int64),
    "any": lambda r: r.integers(-(2**62), 2**62, 5000),
    "few times": lambda r: r.integers(0, 7, 5000),
    "the same time again and again": lambda r: np.tile(np.arange(500), 10),
    "two clocks": lambda r: np.concatenate([np.arange(2500), np.arange(2500) + 1200]),
}


@pytest.mark.parametrize("at_once", [1, 64, 100_000])
@pytest.mark.parametrize("shape", SHAPES)
def test_as_sorting_at_once(shape: str, at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LEAST", 5)
    r = np.random.default_rng(17)
    for _ in range(5):
        t = SHAPES[shape](r).astype(np.int64)
        pieces = pieces_of(t, sorted(r.integers(0, len(t), r.integers(0, 12)).tolist()))
        whole = joined(list(in_time_order(pieces, at_once)))
        order = np.argsort(t, kind="stable")
        assert whole.t.tolist() == t[order].tolist()
        assert whole.columns["n"].values.tolist() == order.tolist()  # equal times in file order


@pytest.mark.parametrize("shape", SHAPES)
def test_little_is_held_and_each_row_is_read_once(shape: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LEAST", 5)
    pieces = pieces_of(SHAPES[shape](np.random.default_rng(1)).astype(np.int64), [500 * i for i in range(1, 10)])
    out, block = 0, 100 // module._deepest(pieces)
    for table in in_time_order(pieces, 100):
        out += len(table)
        read = sum(min(500, block * len(p.reads)) for p in pieces)
        assert read - out <= 2 * 100
    assert out == 5000
    assert all(len(p.reads) == len(set(p.reads)) == 500 // block for p in pieces)


def test_how_many_pieces_cover_one_time() -> None:
    spans = [(0, 10), (5, 8), (8, 20), (30, 40), (40, 50), (21, 29)]
    pieces = [Rows(np.array(span), np.zeros(2, np.int64)) for span in spans]
    assert module._deepest(pieces) == 3  # at 8; both ends are covered
    assert module._deepest(pieces[3:]) == 2


def test_cut_into_equal_tables() -> None:
    tables = [Table(np.arange(a, a + n), {}) for a, n in ((0, 3), (3, 0), (3, 9), (12, 1))]
    found = [t.t.tolist() for t in cut(tables, 4)]
    assert found == [[0, 1, 2, 3], [4, 5, 6, 7], [8, 9, 10, 11], [12]]
    assert list(cut([], 4)) == []
