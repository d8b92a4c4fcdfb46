"""Decoded tables of one log on their way into a part: in memory while small, on disk when not."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from herdbook.decoders.decoding.columns import Table
from herdbook.decoders.decoding.extract import Column
from herdbook.pipeline.lake.in_time_order import cut, in_time_order

MOST_LABELS = 255  # as many as frames can tell apart (decoders/reading/rows.py)


@dataclass(frozen=True, slots=True)
class TableFile:
    """Rows of one message in a file, in order of time; any stretch of them can be read.

    arrays: where each begins in the file and what it holds: t, channel, source, v:Signal its values, n:Signal where
    there is one. labels: of the channels, known when all is read. numbers: among them of each channel that the file
    numbers, where it does so otherwise.
    """

    path: Path
    rows: int
    first_t: int
    last_t: int
    arrays: dict[str, tuple[int, np.dtype[Any]]]
    labels: tuple[str, ...] = ()
    numbers: tuple[int, ...] = ()

    def read(self, first: int, count: int) -> Table:
        count = min(count, self.rows - first)
        with self.path.open("rb") as file:
            found: dict[str, NDArray[Any]] = {
                name: np.fromfile(file, kind, count, offset=at + first * kind.itemsize - file.tell())
                for name, (at, kind) in self.arrays.items()
            }
        columns = {n[2:]: Column(found[n], found.get(f"n:{n[2:]}")) for n in found if n.startswith("v:")}
        channel = found.get("channel")
        if channel is not None and self.numbers:
            channel = np.array(self.numbers, np.uint8)[channel]
        return Table(found["t"], columns, channel, self.labels, found.get("source"))


@dataclass(frozen=True, slots=True)
class Spilled:
    """Tables that one process has put on the disk, for another one. labels: of its channels."""

    pieces: dict[str, list[TableFile]]
    labels: tuple[str, ...]


class TableSpill:
    """add() tables piece by piece, then messages(): each message sorted by time, then close().

    The first piece stays in memory; when a second one comes, everything goes to temporary files under `folder`, so
    that a log of any size needs the memory of one piece. kept: what lies in the folder stays there for others.
    """

    def __init__(self, folder: Path, kept: bool = False) -> None:
        self.folder, self.kept = folder, kept
        self.first: dict[str, Table] = {}
        self.pieces: dict[str, list[TableFile]] = {}
        self.labels: tuple[str, ...] = ()
        self.written = 0
        self.files: Path | None = None

    def add(self, tables: dict[str, Table]) -> None:
        if not self.first and self.files is None:
            self.first = tables
            return
        self._to_disk()
        self._write(tables)

    def _to_disk(self) -> None:
        if self.files is None:
            self.folder.mkdir(parents=True, exist_ok=True)
            self.files = Path(tempfile.mkdtemp(dir=self.folder, prefix=".take-"))
            self._write(self.first)
            self.first = {}

    def spilled(self) -> Spilled:
        """All that was added, on the disk."""
        self._to_disk()
        return Spilled(self.pieces, self.labels)

    def follow(self, later: Spilled) -> None:
        """Rows that another process spilled come behind ours. Raises: OverflowError for too many channels."""
        assert not self.first
        self.labels = tuple(dict.fromkeys((*self.labels, *later.labels)))
        if len(self.labels) > MOST_LABELS:
            raise OverflowError("more channels than a table can number")
        numbers = tuple(self.labels.index(label) for label in later.labels)
        own = () if numbers == tuple(range(len(numbers))) else numbers
        for name, pieces in later.pieces.items():
            self.pieces.setdefault(name, []).extend(replace(piece, numbers=own) for piece in pieces)

    def _write(self, tables: dict[str, Table]) -> None:
        assert self.files is not None
        for name, table in tables.items():
            if len(table):
                self.written += 1
                path = self.files / f"{self.written}.rows"
                self.pieces.setdefault(name, []).append(_saved(table.in_time(), path))
            self.labels = max(self.labels, table.labels, key=len)  # a decoder's list of channels only grows

    def messages(self, at_once: int) -> Iterator[tuple[str, int, Iterator[Table]]]:
        """Name, number of rows and the rows of each message, in order of name; rows in order of time, equal times in
        file order; of a message that was spilled in tables of at_once rows, the last one shorter."""
        for name in sorted(self.first or self.pieces):
            if self.first:
                yield name, len(self.first[name]), iter([self.first[name].in_time()])
            else:
                pieces = [replace(piece, labels=self.labels) for piece in self.pieces[name]]
                yield name, sum(p.rows for p in pieces), cut(in_time_order(pieces, at_once), at_once)

    def close(self) -> None:
        """Remove what was spilled."""
        if self.files is not None and not self.kept:
            shutil.rmtree(self.files, ignore_errors=True)


def _saved(table: Table, path: Path) -> TableFile:
    arrays: dict[str, Any] = {"t": table.t, "channel": table.channel, "source": table.source}
    arrays |= {f"v:{n}": c.values for n, c in table.columns.items()}
    arrays |= {f"n:{n}": c.valid for n, c in table.columns.items()}
    places = {}
    with path.open("wb") as file:
        for name, array in arrays.items():
            if array is not None:
                places[name] = file.tell(), array.dtype
                np.ascontiguousarray(array).tofile(file)
    return TableFile(path, len(table), int(table.t[0]), int(table.t[-1]), places)
