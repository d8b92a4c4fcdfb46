"""Writes a part (part.py): chunks come in order of (message, log, t) and are packed into row groups."""

from __future__ import annotations

import hashlib
import json
import os
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from herdbook.decoders.decoding.columns import Table
from herdbook.decoders.decoding.extract import Column
from herdbook.pipeline.lake.layout import Layout, to_json
from herdbook.pipeline.lake.part import KEY, ROWS, VERSION, Chunk, RowBlock
from herdbook.pipeline.operating_system import sync_file, sync_folder

if TYPE_CHECKING:
    import pyarrow as pa

AHEAD = 2  # row groups that wait to be encoded beside us
BATCH = 32_768  # values that Arrow encodes at a time; a twelfth quicker than its own 1,024
COMPRESSION = "lz4"  # the cheapest beside others in tests/bench/store_part.py
LEVEL: int | None = None


class PartWriter:
    """Takes chunks in order of (message, log, t) and packs them into row groups. Use as a context."""

    def __init__(self, path: Path, layout: Layout, scratch: Path, beside: bool = False) -> None:
        """layout: of every message that will come. scratch: where the file grows, on the lake's own file system.
        beside: encode a row group, in a thread of its own, while the next one is brought."""
        import pyarrow as pa
        import pyarrow.parquet as pq

        words = pa.dictionary(pa.int32(), pa.string())
        own = {"message": words, "log": words, "t": pa.timestamp("us", "UTC")}
        own |= {"channel": words} if layout.channel else {}
        own |= {"source": pa.uint8()} if layout.source else {}
        kept = {c: pa.int64() if c.startswith("c") else pa.float64() for c in layout.columns}
        self.schema = pa.schema([*own.items(), *kept.items()])
        self.layout, self.path = layout, path
        self.column = {(message, s.signal): s.column for message, slots in layout.messages.items() for s in slots}
        self.temporary = scratch / f"{path.name}.{os.getpid()}.tmp"
        for folder in (scratch, path.parent):
            folder.mkdir(parents=True, exist_ok=True, mode=0o750)
        counts = ["t", *(c for c in kept if c.startswith("c"))]
        self.writer = pq.ParquetWriter(
            self.temporary,
            self.schema,
            compression=COMPRESSION,
            compression_level=LEVEL,
            store_schema=False,
            use_dictionary=[n for n in self.schema.names if n not in counts],
            write_statistics=["message", "t"],
            write_batch_size=BATCH,
            column_encoding=dict.fromkeys(counts, "DELTA_BINARY_PACKED"),
            write_page_checksum=True,
        )
        self.blocks: list[RowBlock] = []
        self.held: list[Chunk] = []
        self.groups = 0
        self.thread = ThreadPoolExecutor(1) if beside else None
        self.under_way: deque[Future[None]] = deque()

    def add(self, chunk: Chunk, whole: int = 0) -> None:
        """Append one chunk; long ones get row groups of their own. whole: rows in all, where ROWS come at a time."""
        if max(len(chunk.table), whole) >= ROWS:
            self._flush()
        for first in range(0, len(chunk.table), ROWS):
            some = chunk.table if len(chunk.table) <= ROWS else chunk.table.take(slice(first, first + ROWS))
            self.held.append(Chunk(chunk.log, chunk.message, some))
            if sum(len(c.table) for c in self.held) >= ROWS:
                self._flush()

    def _flush(self) -> None:
        import pyarrow as pa

        if not self.held:
            return
        first = 0
        for chunk in self.held:
            t, rows = chunk.table.t, len(chunk.table)
            block = RowBlock(
                log=chunk.log,
                message=chunk.message,
                group=self.groups,
                first=first,
                rows=rows,
                start=int(t[0]),
                end=int(t[-1]),
            )
            self.blocks.append(block)
            first += rows
        table = pa.Table.from_arrays(self._columns(first), schema=self.schema)
        if self.thread is None:
            self.writer.write_table(table, row_group_size=first)
        else:
            self._wait(AHEAD)
            self.under_way.append(self.thread.submit(self.writer.write_table, table, row_group_size=first))
        self.groups += 1
        self.held = []

    def _wait(self, most: int) -> None:
        """Until no more row groups than that are being encoded beside us."""
        while len(self.under_way) > most:
            self.under_way.popleft().result()

    def _columns(self, rows: int) -> list[Any]:
        import pyarrow as pa

        sizes = [len(c.table) for c in self.held]
        parts: dict[str, list[tuple[int, Any]]] = {}
        first = 0
        for chunk in self.held:
            for name, column in chunk.table.columns.items():
                place = self.column[chunk.message, name]
                parts.setdefault(place, []).append((first, _plain(column, self.schema.field(place).type)))
            for name, array in _own(chunk.table, self.schema.field("t").type).items():
                parts.setdefault(name, []).append((first, array))
            first += len(chunk.table)
        out = [_words([c.message for c in self.held], sizes), _words([c.log for c in self.held], sizes)]
        empty = cache(lambda kind: pa.nulls(rows, kind))
        for name, kind in list(zip(self.schema.names, self.schema.types, strict=True))[2:]:
            pieces, at = [], 0
            for start, array in parts.get(name, []):
                pieces += [empty(kind).slice(0, start - at)] if start > at else []
                pieces.append(array)
                at = start + len(array)
            pieces += [empty(kind).slice(0, rows - at)] if at < rows else []
            out.append(pa.chunked_array(pieces, kind) if len(pieces) > 1 else pieces[0])
        return out

    def close(self, logs: dict[str, dict[str, Any]]) -> str:
        """Finish, sync and rename; SHA-256 of the file. logs: report by log hash (JSON values)."""
        self._flush()
        self._wait(0)
        meta = {
            "version": VERSION,
            "layout": to_json(self.layout),
            "logs": logs,
            "blocks": [[b.log, b.message, b.group, b.first, b.rows, b.start, b.end] for b in self.blocks],
        }
        self.writer.add_key_value_metadata({KEY: json.dumps(meta, sort_keys=True, separators=(",", ":"))})
        self.writer.close()
        with self.temporary.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        sync_file(self.temporary)
        self.temporary.replace(self.path)
        sync_folder(self.path.parent)
        return digest

    def __enter__(self) -> PartWriter:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if self.thread is not None:
            self.thread.shutdown()
        if kind is not None:
            self.writer.close()
            self.temporary.unlink(missing_ok=True)


def _plain(column: Column, kind: pa.DataType) -> pa.Array:
    """The column's own memory, seen as Arrow's; a bit a place says where there is a value."""
    return _array(kind, column.values, None if column.valid is None or column.valid.all() else column.valid)


def _own(table: Table, time: pa.DataType) -> dict[str, pa.Array]:
    import pyarrow as pa

    own = {"t": _array(time, table.t)}
    if table.channel is not None:
        kinds, first, index = np.unique(table.channel, return_index=True, return_inverse=True)
        seen = np.argsort(first)  # the words in the order in which they come
        words = [table.labels[k] for k in kinds[seen].tolist()]
        own["channel"] = _dictionary(words, np.argsort(seen)[index].astype(np.int32))
    if table.source is not None:
        own["source"] = _array(pa.uint8(), table.source)
    return own


def _array(kind: pa.DataType, values: NDArray[Any], valid: NDArray[np.bool_] | None = None) -> pa.Array:
    import pyarrow as pa

    bits = None if valid is None else pa.py_buffer(np.packbits(valid, bitorder="little"))
    return pa.Array.from_buffers(kind, len(values), [bits, pa.py_buffer(np.ascontiguousarray(values))])


def _words(names: list[str], sizes: list[int]) -> pa.Array:
    known = sorted(set(names))
    return _dictionary(known, np.repeat(np.array([known.index(n) for n in names], np.int32), sizes))


def _dictionary(words: list[str], index: NDArray[np.int32]) -> pa.Array:
    """By hand: Arrow's array() imports pandas and its cast() all of its compute functions, a tenth of a second each."""
    import pyarrow as pa

    texts = [w.encode() for w in words]
    ends = np.cumsum([0, *map(len, texts)], dtype=np.int32)
    known = pa.StringArray.from_buffers(len(words), pa.py_buffer(ends.tobytes()), pa.py_buffer(b"".join(texts)))
    return pa.DictionaryArray.from_arrays(_array(pa.int32(), index), known, safe=False)
