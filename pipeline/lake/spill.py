"""Decoded tables of one log on their way into a part: in memory while small, on disk when not."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from herdbook.decoders.decoding.columns import Table, joined
from herdbook.decoders.decoding.extract import Column


class TableSpill:
    """add() tables piece by piece, then messages(): each message whole and sorted by time, then close().

    The first piece stays in memory; when a second one comes, everything goes to temporary files under `folder`, so
    that a log of any size needs the memory of one piece and of its largest message.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.first: dict[str, Table] = {}
        self.pieces: dict[str, list[Path]] = {}
        self.labels: tuple[str, ...] = ()
        self.written = 0
        self.files: tempfile.TemporaryDirectory[str] | None = None

    def add(self, tables: dict[str, Table]) -> None:
        if not self.first and self.files is None:
            self.first = tables
            return
        if self.files is None:
            self.folder.mkdir(parents=True, exist_ok=True)
            self.files = tempfile.TemporaryDirectory(dir=self.folder, prefix=".take-")
            self._write(self.first)
            self.first = {}
        self._write(tables)

    def _write(self, tables: dict[str, Table]) -> None:
        assert self.files is not None
        for name, table in tables.items():
            paths = self.pieces.setdefault(name, [])
            self.written += 1
            path = Path(self.files.name) / f"{self.written}.npz"
            _save(table, path)
            paths.append(path)
            self.labels = max(self.labels, table.labels, key=len)  # a decoder's list of channels only grows

    def messages(self) -> Iterator[tuple[str, Table]]:
        """Message name and table in order of name; rows in order of time, equal times in file order."""
        for name in sorted(self.first or self.pieces):
            table = self.first[name] if self.first else joined([_load(p, self.labels) for p in self.pieces[name]])
            yield name, table.in_time()

    def close(self) -> None:
        """Remove what was spilled."""
        if self.files is not None:
            self.files.cleanup()


def _save(table: Table, path: Path) -> None:
    """Arrays under names that no signal can have: v:Signal its values, n:Signal where there is one."""
    arrays: dict[str, Any] = {f"v:{n}": c.values for n, c in table.columns.items()}
    arrays |= {f"n:{n}": c.valid for n, c in table.columns.items() if c.valid is not None}
    own = {"t": table.t, "channel": table.channel, "source": table.source}
    np.savez(path, allow_pickle=False, **arrays, **{n: a for n, a in own.items() if a is not None})


def _load(path: Path, labels: tuple[str, ...]) -> Table:
    with np.load(path, allow_pickle=False) as file:
        found = {name: file[name] for name in file.files}
    columns = {n[2:]: Column(found[n], found.get(f"n:{n[2:]}")) for n in found if n.startswith("v:")}
    return Table(found["t"], columns, found.get("channel"), labels, found.get("source"))
