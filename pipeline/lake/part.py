"""A part: the columnar file that one log becomes (or, merged, that many logs of one profile become).

Parquet; rows sorted by (message, log, t); columns `message`, `log`, `t` (UTC, microseconds), `channel` and `source`
where they apply, then the places of the row's signals (pipeline/lake/layout.py). Several small messages share a row
group, so that a small log is a small file. The file's own metadata holds the layout, an index of blocks and the
report of each log, so that a lost catalogue can be rebuilt from the lake.
Written whole or not at all (part_writer.py): a temporary file, synced, then renamed. The same log gives the same bytes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from herdbook.decoders.decoding.columns import Table
from herdbook.decoders.decoding.decode import RESERVED
from herdbook.decoders.decoding.extract import Column
from herdbook.pipeline.errors import DamagedPartError
from herdbook.pipeline.lake.layout import Layout, Slot, from_json, types_of, values

if TYPE_CHECKING:
    import polars as pl
    import pyarrow as pa

VERSION = 2
ROWS = 262_144  # a row group is closed once it has this many rows; fewer cost time, more read too much at once
KEY = b"herdbook"
BITS = {"double": np.float64, "int32": np.int32, "uint8": np.uint8}  # of a column; else 64 bits, a whole number
REPAIR = "Run `herdbook store check --repair`; it is rebuilt from its log"
REDECODE = "Run `herdbook store redecode`; it is written again from its log"


@dataclass(frozen=True, slots=True)
class RowBlock:
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
    """Rows of one message of one log on their way into a part, sorted by t.

    table: its signals as the layout keeps them (Decoder.arrays(counts=True)).
    """

    log: str
    message: str
    table: Table


@dataclass
class Part:
    """A part open for reading. layout: of all messages of its network, seen in it or not."""

    path: Path
    layout: Layout = field(default_factory=lambda: Layout({}))
    blocks: list[RowBlock] = field(default_factory=list)
    logs: dict[str, dict[str, Any]] = field(default_factory=dict)

    @classmethod
    def open(cls, path: Path) -> Part:
        """Raises: DamagedPartError when the file is missing, no sound part, or written by another version."""
        part = cls(path)
        try:
            meta = json.loads((part.file.metadata.metadata or {})[KEY])
            if meta["version"] != VERSION:
                raise DamagedPartError("a part of the lake was written by another Herdbook", path, REDECODE)
            part.layout = from_json(meta["layout"])
            part.blocks = [RowBlock(*b) for b in meta["blocks"]]
            part.logs = meta["logs"]
        except FileNotFoundError:
            raise DamagedPartError("a part of the lake is missing", path, REPAIR) from None
        except DamagedPartError:
            raise
        except Exception as error:
            raise _damaged(path, error) from None
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
        """Signals by "Message.Signal", and the types of their values."""
        return types_of(self.layout)

    @cached_property
    def _slots(self) -> dict[tuple[str, str], Slot]:
        return {(message, s.signal): s for message, slots in self.layout.messages.items() for s in slots}

    def rows(self, wanted: dict[str, list[str]], log: str, start: int, end: int) -> Iterator[Piece]:
        """The wanted signals (by message) of one log between start and end (excluded).

        "channel" and "source" may be wanted like signals (no signal can be called so): label and J1939 address of each
        frame, "" and -1 where a part does not say.
        """
        groups: dict[int, list[RowBlock]] = {}
        for block in self.blocks:
            if block.log == log and block.message in wanted and block.start < end and block.end >= start:
                groups.setdefault(block.group, []).append(block)
        for group, blocks in groups.items():
            slots = {
                b.message: [self._slots[b.message, s] for s in wanted[b.message] if s not in RESERVED] for b in blocks
            }
            names = sorted({s.column for some in slots.values() for s in some})
            own = sorted(self._own_columns & {s for b in blocks for s in wanted[b.message]})
            table = self._group(group, ["t", *own, *names])
            for block in blocks:
                rows = table.slice(block.first, block.rows)  # places that no row of the block uses are not looked at
                piece = _piece(rows, block.message, slots[block.message], start, end)
                if extra := [s for s in wanted[block.message] if s in RESERVED]:
                    first, last = (int(i) for i in np.searchsorted(_times(rows), (start, end), side="left"))
                    piece.columns.update(_sent(rows.slice(first, last - first), extra))
                yield piece

    @property
    def _own_columns(self) -> set[str]:
        told = {"channel": self.layout.channel, "source": self.layout.source}
        return {name for name, there in told.items() if there}

    def chunk(self, block: RowBlock) -> Chunk:
        """The rows of one block as they were put in."""
        slots = self.layout.messages[block.message]
        own = ["t", *(["channel"] if self.layout.channel else []), *(["source"] if self.layout.source else [])]
        rows = self._group(block.group, [*own, *sorted(s.column for s in slots)]).slice(block.first, block.rows)
        kept = {s.signal: (_kept(rows[s.column]), s.unsigned) for s in slots}
        columns = {n: Column(c.view(np.uint64) if unsigned else c, valid) for n, ((c, valid), unsigned) in kept.items()}
        channel, labels = _numbered(rows["channel"]) if self.layout.channel else (None, ())
        source = _kept(rows["source"])[0] if self.layout.source and not rows["source"].null_count else None
        table = Table(_kept(rows["t"])[0].view(np.int64), columns, channel, labels, source)
        return Chunk(block.log, block.message, table)


def _numbered(words: pa.ChunkedArray) -> tuple[NDArray[np.uint8], tuple[str, ...]]:
    array = words.combine_chunks().dictionary_encode()
    return _kept(array.indices)[0].astype(np.uint8), tuple(array.dictionary.to_pylist())


def _sent(rows: pa.Table, wanted: Iterable[str]) -> dict[str, Column]:
    """Channel and source of every row, as texts and int64."""
    found: dict[str, Column] = {}
    for name in wanted:
        if name not in rows.column_names:
            empty = np.full(len(rows), "") if name == "channel" else np.full(len(rows), -1, np.int64)
            found[name] = Column(empty)
        elif name == "channel":
            numbers, labels = _numbered(rows[name])
            found[name] = Column(np.array(labels or ("",))[numbers])
        else:
            kept, there = _kept(rows[name])
            address = kept.astype(np.int64)
            found[name] = Column(address if there is None else np.where(there, address, -1))
    return found


def _times(rows: pa.Table) -> NDArray[np.int64]:
    return _kept(rows["t"])[0].view(np.int64)


def _damaged(path: Path, error: Exception) -> DamagedPartError:
    return DamagedPartError(f"a part of the lake is damaged ({type(error).__name__})", path, REPAIR)


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows of one message, cut to the time asked for: t int64, sorted; columns: values by signal."""

    message: str
    t: NDArray[np.int64]
    columns: dict[str, Column]


def _piece(rows: pa.Table, message: str, slots: Iterable[Slot], start: int, end: int) -> Piece:
    t = _times(rows)
    a, b = (int(i) for i in np.searchsorted(t, (start, end), side="left"))
    cut = rows.slice(a, b - a)
    return Piece(message, t[a:b], {s.signal: _column(cut[s.column], s) for s in slots})


def _column(column: pa.ChunkedArray | pa.Array, slot: Slot) -> Column:
    kept, valid = _kept(column)
    return Column(values(slot, kept), valid)


def _kept(column: pa.ChunkedArray | pa.Array) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """Counts or values, anything where there is none, and where there is one (None: everywhere). A view on Arrow's own
    buffers: its to_numpy() imports pandas."""
    array = column.combine_chunks() if hasattr(column, "chunks") else column
    (there, data), first, n = array.buffers(), array.offset, len(array)
    kept = np.frombuffer(data, BITS.get(str(array.type), np.int64))[first : first + n]
    if not array.null_count:
        return kept, None
    skip = first % 8  # a bit a place
    bits = np.unpackbits(np.frombuffer(there, np.uint8)[first // 8 :], count=skip + n, bitorder="little")
    return kept, bits[skip:].view(np.bool_)


def file_hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
