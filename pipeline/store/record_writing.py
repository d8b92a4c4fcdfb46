"""A file of the record is written: by the worker that measured its rows, or by settle() from rows of the catalogue.

Whoever writes it touches no catalogue: the file stands, whole and synced, before a transaction enters its name. One
that nobody enters, because its writer or the night was killed, is deleted once the grace of merged files is over.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.lake.folder import sql_path
from herdbook.pipeline.lake.part import file_hash
from herdbook.pipeline.operating_system import set_rights, sync_file, sync_folder
from herdbook.pipeline.store.connection import registered
from herdbook.pipeline.store.record_files import FOLDER, SPANS, TABLES, RecordFile, note_written

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

ORDERS = {"logs": "vehicle, start_t, log", "log_messages": "of_vehicle, log, message", "seen": "of_vehicle, path"}
GROUP_ROWS = 16_384  # of a row group: some hundred vehicles, so that one of them is found without reading all


@dataclass(frozen=True, slots=True, kw_only=True)
class NewFile(RecordFile):
    """One that stands in the folder and is not entered yet. from_t, to_t: first and last time in it, microseconds
    UTC."""

    from_t: int
    to_t: int


@contextmanager
def draft(store: Path, number: int) -> Iterator[Path]:
    """Where a file grows; gone afterwards, however that ends. store: its folder. Raises: StoreError without room."""
    path = store / f".record.{os.getpid()}.{number}.tmp"  # what a killed process leaves goes with the next lock
    try:
        yield path
    except OSError as error:
        do = "Make room and run again; what was committed stays"
        raise StoreError(f"the record cannot be written ({error.strerror or error})", store, do) from None
    finally:
        path.unlink(missing_ok=True)


def stand(
    store: Path, written: Path, *, kind: str, number: int, rows: int, times: tuple[int, int], tier: int, shard: str
) -> NewFile:
    """A finished draft takes its place among the files. times: first and last in it, microseconds UTC. Raises:
    OSError."""
    digest, size = file_hash(written), written.stat().st_size
    name = f"{FOLDER}/{kind}-{number:06d}-{digest[:16]}.parquet"
    (store / FOLDER).mkdir(exist_ok=True, mode=0o750)
    sync_file(written)
    set_rights(written, 0o440)
    written.replace(store / name)
    sync_folder(store / FOLDER)
    return NewFile(
        id=number,
        kind=kind,
        file=name,
        hash=digest,
        rows=rows,
        bytes=size,
        tier=tier,
        shard=shard,
        from_t=times[0],
        to_t=times[1],
    )


def write_rows(store: Path, kind: str, number: int, rows: pl.DataFrame, shard: str) -> NewFile:
    """Rows of the table `kind`, at least one, as a file; times without a zone, data of events a list of key and value.
    number: of the file, from the catalogue's record_ids. Raises: StoreError."""
    import pyarrow.parquet as pq

    time = TABLES[kind]
    ordered = rows.sort("vehicle", time, maintain_order=True).with_columns(
        pl.lit(number, pl.Int64).alias("record_file")
    )
    moments = ordered[time].to_physical()
    times = int(str(moments.min())), int(str(moments.max()))
    with draft(store, number) as path:
        pq.write_table(_arrow(ordered), path, compression="zstd", store_schema=False, row_group_size=GROUP_ROWS)
        return stand(store, path, kind=kind, number=number, rows=rows.height, times=times, tier=0, shard=shard)


def _arrow(rows: pl.DataFrame) -> pa.Table:
    """As DuckDB writes the same table: key and value of events as a map."""
    import pyarrow as pa

    table = rows.to_arrow()
    if "data" not in table.column_names:
        return table
    place, lists = table.column_names.index("data"), table["data"].combine_chunks()
    pairs = lists.values
    offsets = lists.offsets.cast(pa.int32())
    found = pa.MapArray.from_arrays(offsets, pairs.field("key").cast(pa.string()), pairs.field("value"))
    return table.set_column(place, "data", found)


def enter_files(con: duckdb.DuckDBPyConnection, store: Path, files: Sequence[NewFile]) -> None:
    """Into the catalogue, inside the caller's transaction: from its commit on they are the record's."""
    if not files:
        return
    with registered(con, "incoming_files", pl.DataFrame([asdict(f) for f in files])):
        con.execute(
            "INSERT INTO record_files BY NAME SELECT * REPLACE "
            "(make_timestamp(from_t) AS from_t, make_timestamp(to_t) AS to_t) FROM incoming_files"
        )
    note_written(store, [(f.file, f.hash) for f in files])


def let_go(con: duckdb.DuckDBPyConnection, files: Sequence[RecordFile], now: int) -> None:
    """These files are not the record's any more; they stay until the grace of older readers is over."""
    con.execute("DELETE FROM record_files WHERE id IN (SELECT unnest(?))", [[f.id for f in files]])
    said = "INSERT OR REPLACE INTO record_retired SELECT unnest(?), make_timestamp(?)"
    con.execute(said, [[f.file for f in files], now])


def write_selected(
    con: duckdb.DuckDBPyConnection, store: Path, kind: str, rows: str, tier: int, shard: str = ""
) -> None:
    """Write and enter a file, inside the caller's transaction. rows: a SELECT of at least no rows.

    Raises: StoreError; duckdb.Error, for transaction() to put into words."""
    number = con.execute("SELECT nextval('record_ids')").fetchall()[0][0]
    time = (TABLES | SPANS).get(kind, "")
    order = f"vehicle, {time}" if time else ORDERS.get(kind, "of_vehicle, log")
    with draft(store, number) as path:
        quoted = str(path).replace("'", "''")
        con.execute(
            f"COPY (SELECT *, {number}::BIGINT AS record_file FROM ({rows}) ORDER BY {order}) "
            f"TO '{quoted}' (FORMAT parquet, COMPRESSION zstd)"
        )
        about = f"epoch_us(min({time})), epoch_us(max({time}))" if time else "0, 0"
        count, first, last = con.execute(f"SELECT count(*), {about} FROM read_parquet(?)", [sql_path(path)]).fetchall()[
            0
        ]
        if count:
            times = (first, last)
            written = stand(store, path, kind=kind, number=number, rows=count, times=times, tier=tier, shard=shard)
            enter_files(con, store, [written])
