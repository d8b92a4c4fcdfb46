"""Rows of one message as plain arrays, and the polars frame that users get of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from herdbook.decoders.arrays import I64, Bool, Bytes
from herdbook.decoders.decoding.extract import Column

if TYPE_CHECKING:
    import polars as pl


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of one message; arrays (n,).

    t: microseconds UTC. columns: by signal. channel: indices into labels, None unless the network spans several buses.
    source: J1939 source address, None for other messages. wrong: whether the checksum is, None where nobody looked.
    """

    t: I64
    columns: dict[str, Column]
    channel: Bytes | None = None
    labels: tuple[str, ...] = ()
    source: Bytes | None = None
    wrong: Bool | None = None

    def __len__(self) -> int:
        return len(self.t)

    def take(self, rows: slice | NDArray[np.intp]) -> Table:
        """Some of the rows; a slice is a view."""
        columns = {
            n: Column(c.values[rows], None if c.valid is None else c.valid[rows]) for n, c in self.columns.items()
        }
        return Table(
            self.t[rows],
            columns,
            None if self.channel is None else self.channel[rows],
            self.labels,
            None if self.source is None else self.source[rows],
            None if self.wrong is None else self.wrong[rows],
        )

    def in_time(self) -> Table:
        """Rows in order of time; equal times stay in file order."""
        return self if (self.t[1:] >= self.t[:-1]).all() else self.take(np.argsort(self.t, kind="stable"))

    def frame(self) -> pl.DataFrame:
        """`t`, `channel` and `source` where they apply, then the signals."""
        import polars as pl

        series = [pl.Series("t", self.t).cast(pl.Datetime("us", "UTC"))]
        if self.channel is not None:
            series.append(pl.Series("channel", self.labels, dtype=pl.String).gather(self.channel))
        if self.source is not None:
            series.append(pl.Series("source", self.source))
        return pl.DataFrame([*series, *(as_series(name, column) for name, column in self.columns.items())])


def joined(tables: Sequence[Table]) -> Table:
    """Tables of one message below each other; all with the labels of the last, which knows those of the others."""
    first, last = tables[0], tables[-1]
    if len(tables) == 1:
        return first
    columns = {n: _joined([t.columns[n] for t in tables]) for n in first.columns}
    channels = [t.channel for t in tables if t.channel is not None]
    sources = [t.source for t in tables if t.source is not None]
    return Table(
        np.concatenate([t.t for t in tables]),
        columns,
        np.concatenate(channels) if channels else None,
        last.labels,
        np.concatenate(sources) if sources else None,
        joined_marks([(len(t), t.wrong) for t in tables]),
    )


def joined_marks(pieces: Sequence[tuple[int, Bool | None]]) -> Bool | None:
    """Marks of so many rows each, below each other; rows without are not marked."""
    if all(marks is None for _, marks in pieces):
        return None
    return np.concatenate([np.zeros(n, np.bool_) if marks is None else marks for n, marks in pieces])


def _joined(columns: Sequence[Column]) -> Column:
    values = np.concatenate([c.values for c in columns])
    if all(c.valid is None for c in columns):
        return Column(values)
    return Column(
        values, np.concatenate([np.ones(len(c.values), np.bool_) if c.valid is None else c.valid for c in columns])
    )


def as_series(name: str, column: Column) -> pl.Series:
    """One signal as a column, null where it is absent."""
    import polars as pl

    values = pl.Series(name, column.values)
    if column.valid is None or column.valid.all():
        return values
    return values.set(pl.Series(~column.valid), None)
