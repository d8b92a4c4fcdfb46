"""Decoded tables of one log on their way into a part: in memory while small, on disk when not."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import polars as pl


class Gather:
    """add() tables piece by piece, then messages(): each message whole and sorted by time, then close().

    The first piece stays in memory; when a second one comes, everything goes to temporary files under `folder`, so
    that a log of any size needs the memory of one piece and of its largest message.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.first: dict[str, pl.DataFrame] = {}
        self.pieces: dict[str, list[Path]] = {}
        self.written = 0
        self.spill: tempfile.TemporaryDirectory[str] | None = None

    def add(self, tables: dict[str, pl.DataFrame]) -> None:
        if not self.first and self.spill is None:
            self.first = tables
            return
        if self.spill is None:
            self.folder.mkdir(parents=True, exist_ok=True)
            self.spill = tempfile.TemporaryDirectory(dir=self.folder, prefix=".take-")
            self._write(self.first)
            self.first = {}
        self._write(tables)

    def _write(self, tables: dict[str, pl.DataFrame]) -> None:
        assert self.spill is not None
        for name, table in tables.items():
            files = self.pieces.setdefault(name, [])
            self.written += 1
            path = Path(self.spill.name) / f"{self.written}.arrow"
            table.write_ipc(path)
            files.append(path)

    def messages(self) -> Iterator[tuple[str, pl.DataFrame]]:
        """Message name and table in order of name; rows in order of time, equal times in file order."""
        for name in sorted(self.first or self.pieces):
            table = self.first[name] if self.first else pl.concat(pl.read_ipc(p) for p in self.pieces[name])
            yield name, table if table["t"].is_sorted() else table.sort("t", maintain_order=True)

    def close(self) -> None:
        """Remove what was spilled."""
        if self.spill is not None:
            self.spill.cleanup()
