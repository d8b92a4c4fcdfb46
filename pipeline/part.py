"""A part: the columnar file that one log becomes (or, merged, that many logs of one profile become).

Parquet; rows sorted by (message, log, t); columns `message`, `log`, `t` (UTC, microseconds), `channel` and `source`
where they apply, and one column a signal named "Message.Signal" in the DBC's unit, null in the rows of other
messages. Several small messages share a row group, so that a small log is a small file. The file's own metadata
holds an index of blocks and the report of each log, so that a lost catalogue can be rebuilt from the lake.
Written whole or not at all: a temporary file, synced, then renamed. The same log gives the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.errors import DamagedPartError

if TYPE_CHECKING:
    import pyarrow as pa

VERSION = 1
CHECKSUM_OK = "_checksum_ok"  # column beside a guarded message's signals: 1 right, 0 wrong
ROWS = 100_000  # a row group is closed once it has this many rows
KEY = b"herdbook"
OWN = ("message", "log", "t", "channel", "source")
COMPRESSION = "lz4"  # the cheapest beside others in tests/bench/store_part.py
LEVEL: int | None = None
REPAIR = "Run `herdbook store check --repair`; it is rebuilt from its log"


@dataclass(frozen=True, slots=True)
class Block:
    """Rows of one message of one log: where they stand and what time they cover (microseconds, both ends in)."""

    log: str
    message: str
    group: int
    first: int
    rows: int
    start: int
    end: int


@dataclass
class Chunk:
    """Rows of one message of one log on their way into a part, sorted by t; table: t, channel?, source?, signals."""

    log: str
    message: str
    table: pl.DataFrame


class PartWriter:
    """Takes chunks in order of (message, log, t) and packs them into row groups. Use as a context."""

    def __init__(self, path: Path, columns: dict[str, pl.DataType], scratch: Path) -> None:
        """columns: signal columns "Message.Signal" and their types, of everything that will come. scratch: a folder
        on the lake's own file system, where the file grows."""
        import pyarrow as pa
        import pyarrow.parquet as pq

        words = pa.dictionary(pa.int32(), pa.string())
        fields = [
            ("message", words),
            ("log", words),
            ("t", pa.timestamp("us", "UTC")),
            ("channel", words),
            ("source", pa.uint8()),
        ]
        self.types = {name: _arrow(kind) for name, kind in columns.items()}
        self.schema = pa.schema([*fields, *self.types.items()])
        self.path = path
        self.temporary = scratch / f"{path.name}.{os.getpid()}.tmp"
        for folder in (scratch, path.parent):
            folder.mkdir(parents=True, exist_ok=True, mode=0o750)
        self.writer = pq.ParquetWriter(
            self.temporary,
            self.schema,
            compression=COMPRESSION,
            compression_level=LEVEL,
            store_schema=False,
            use_dictionary=[n for n in self.schema.names if n != "t"],
            write_statistics=["message", "log", "t"],
            column_encoding={"t": "DELTA_BINARY_PACKED"},
            write_page_checksum=True,
        )
        self.blocks: list[Block] = []
        self.held: list[Chunk] = []
        self.groups = 0

    def add(self, chunk: Chunk) -> None:
        """Append one chunk; long ones are cut into row groups of their own."""
        if chunk.table.height >= ROWS:
            self._flush()
        for first in range(0, chunk.table.height, ROWS):
            self.held.append(Chunk(chunk.log, chunk.message, chunk.table.slice(first, ROWS)))
            if sum(c.table.height for c in self.held) >= ROWS:
                self._flush()

    def _flush(self) -> None:
        import pyarrow as pa

        if not self.held:
            return
        first = 0
        for chunk in self.held:
            t = chunk.table["t"].to_physical()
            self.blocks.append(
                Block(chunk.log, chunk.message, self.groups, first, chunk.table.height, int(t[0]), int(t[-1]))
            )
            first += chunk.table.height
        columns = self._columns(first)
        self.writer.write_table(pa.Table.from_arrays(columns, schema=self.schema), row_group_size=first)
        self.groups += 1
        self.held = []

    def _columns(self, rows: int) -> list[Any]:
        import pyarrow as pa

        sizes = [c.table.height for c in self.held]
        parts: dict[str, list[tuple[int, Any]]] = {}
        first = 0
        for chunk in self.held:
            for series in chunk.table:
                own = series.name in OWN
                name = series.name if own else f"{chunk.message}.{series.name}"
                parts.setdefault(name, []).append((first, _plain(series, name)))
            first += chunk.table.height
        out = [_words([c.message for c in self.held], sizes), _words([c.log for c in self.held], sizes)]
        nulls = {kind: pa.nulls(rows, kind) for kind in set(self.schema.types)}
        for name, kind in list(zip(self.schema.names, self.schema.types, strict=True))[2:]:
            pieces, at = [], 0
            for start, array in parts.get(name, []):
                pieces += [nulls[kind].slice(0, start - at)] if start > at else []
                pieces.append(array)
                at = start + len(array)
            pieces += [nulls[kind].slice(0, rows - at)] if at < rows else []
            out.append(pa.chunked_array(pieces, kind) if len(pieces) > 1 else pieces[0])
        return out

    def close(self, logs: dict[str, dict[str, Any]]) -> str:
        """Finish, sync and rename; SHA-256 of the file. logs: report by log hash (JSON values)."""
        self._flush()
        meta = {
            "version": VERSION,
            "logs": logs,
            "blocks": [[b.log, b.message, b.group, b.first, b.rows, b.start, b.end] for b in self.blocks],
        }
        self.writer.add_key_value_metadata({KEY: json.dumps(meta, sort_keys=True, separators=(",", ":"))})
        self.writer.close()
        with self.temporary.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            os.fsync(file.fileno())
        self.temporary.replace(self.path)
        sync_folder(self.path.parent)
        return digest

    def __enter__(self) -> PartWriter:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is not None:
            self.writer.close()
            self.temporary.unlink(missing_ok=True)


def sync_folder(folder: Path) -> None:
    """Make a rename in the folder last through a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _arrow(kind: pl.DataType) -> pa.DataType:
    import pyarrow as pa

    if kind == pl.Int64():
        return pa.int64()
    return pa.uint64() if kind == pl.UInt64() else pa.float64()


def _plain(series: pl.Series, name: str) -> pa.Array:
    import pyarrow as pa

    array = series.rechunk().to_arrow()
    if name == "channel":
        return array.cast(pa.string()).dictionary_encode()
    return array.cast(pa.timestamp("us", "UTC")) if name == "t" else array


def _words(names: list[str], sizes: list[int]) -> pa.Array:
    import pyarrow as pa

    known = sorted(set(names))
    index = np.repeat(np.array([known.index(n) for n in names], np.int32), sizes)
    return pa.DictionaryArray.from_arrays(pa.array(index), pa.array(known, pa.string()))


@dataclass
class Part:
    """A part open for reading."""

    path: Path
    blocks: list[Block] = field(default_factory=list)
    logs: dict[str, dict[str, Any]] = field(default_factory=dict)

    @classmethod
    def open(cls, path: Path) -> Part:
        """Raises: DamagedPartError when the file is missing or no sound part."""
        part = cls(path)
        try:
            meta = json.loads((part.file.metadata.metadata or {})[KEY])
        except FileNotFoundError:
            raise DamagedPartError("a part of the lake is missing", path, REPAIR) from None
        except Exception as error:
            raise _damaged(path, error) from None
        part.blocks = [Block(*b) for b in meta["blocks"]]
        part.logs = meta["logs"]
        return part

    @cached_property
    def file(self) -> Any:
        import pyarrow.parquet as pq

        return pq.ParquetFile(self.path, memory_map=True, page_checksum_verification=True)

    def _group(self, number: int, columns: list[str]) -> Any:
        try:
            return self.file.read_row_group(number, columns=columns)
        except (OSError, ValueError) as error:  # what Arrow says to bad bytes
            raise _damaged(self.path, error) from None

    @cached_property
    def columns(self) -> dict[str, pl.DataType]:
        """Signal columns and their types."""
        kinds = {"int64": pl.Int64(), "uint64": pl.UInt64(), "double": pl.Float64()}
        return {f.name: kinds[str(f.type)] for f in self.file.schema_arrow if f.name not in OWN}

    def rows(self, wanted: dict[str, list[str]], log: str, start: int, end: int) -> Iterator[Piece]:
        """The wanted columns (by message, without the message's name) of one log between start and end (excluded)."""
        groups: dict[int, list[Block]] = {}
        for block in self.blocks:
            if block.log == log and block.message in wanted and block.start < end and block.end >= start:
                groups.setdefault(block.group, []).append(block)
        for group, blocks in groups.items():
            names = sorted({f"{b.message}.{c}" for b in blocks for c in wanted[b.message]})
            table = self._group(group, ["t", *names])
            for block in blocks:
                yield _piece(table, block, wanted[block.message], start, end)

    def chunk(self, block: Block) -> Chunk:
        """The rows of one block as they were put in."""
        names = [n for n in self.columns if n.rpartition(".")[0] == block.message]
        table = self._group(block.group, ["t", "channel", "source", *names])
        frame = pl.DataFrame(pl.from_arrow(table.slice(block.first, block.rows)))
        frame = frame.rename({n: n.rpartition(".")[2] for n in names}).with_columns(pl.col("channel").cast(pl.String))
        empty = [n for n in ("channel", "source") if frame[n].null_count() == frame.height]
        return Chunk(block.log, block.message, frame.drop(empty))


def _damaged(path: Path, error: Exception) -> DamagedPartError:
    return DamagedPartError(f"a part of the lake is damaged ({type(error).__name__})", path, REPAIR)


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows of one message, cut to the time asked for: t int64, sorted; columns: arrow arrays by signal name."""

    message: str
    t: NDArray[np.int64]
    columns: dict[str, Any]


def _piece(table: Any, block: Block, names: Iterable[str], start: int, end: int) -> Piece:
    import pyarrow as pa

    cut = table.slice(block.first, block.rows)
    t = cut.column("t").cast(pa.int64()).to_numpy()
    a, b = (int(i) for i in np.searchsorted(t, (start, end), side="left"))
    return Piece(block.message, t[a:b], {n: cut.column(f"{block.message}.{n}").slice(a, b - a) for n in names})


def file_hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
