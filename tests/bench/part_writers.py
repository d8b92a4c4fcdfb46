"""What it costs to write a part's rows: bytes and nanoseconds a value, by the writers that are at hand.

    python tests/bench/part_writers.py [--seconds 600] [--out build/bench]

A ride of the simulator is taken in as a night does; the rows of its part, sorted by message and time, are then written
again by Arrow, Polars and DuckDB with other settings. Processor time of one thread, the least of several runs, so that
other work on the machine counts little. A value is a place that is not empty.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("POLARS_MAX_THREADS", "1")

import duckdb
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from herdbook.pipeline.intake.outcome import TakenLog  # noqa: E402
from herdbook.pipeline.intake.take_log import take_log  # noqa: E402
from herdbook.pipeline.lake.part_writer import BATCH  # noqa: E402
from herdbook.pipeline.store.store import Store  # noqa: E402
from tests.bench.night import tell  # noqa: E402
from tests.bench.night_logs import Simulated  # noqa: E402

WORDS = ["message", "log"]


def writers(rows: pa.Table, con: duckdb.DuckDBPyConnection) -> dict[str, Callable[[Path], object]]:
    counts = [name for name in rows.column_names if name not in WORDS]
    delta = {name: "DELTA_BINARY_PACKED" for name in counts if pa.types.is_int64(rows.schema.field(name).type)}
    delta |= {"t": "DELTA_BINARY_PACKED"}
    groups = _groups(rows)
    frame = pl.from_arrow(rows)
    assert isinstance(frame, pl.DataFrame)
    con.register("rows_of_part", rows)

    def arrow(compression: str = "zstd", level: int | None = 1, by_message: bool = True, **more: Any) -> Any:
        def write(path: Path) -> None:
            with pq.ParquetWriter(
                path, rows.schema, compression=compression, compression_level=level, **({"version": "2.6"} | more)
            ) as out:
                for first, size in groups if by_message else [(0, rows.num_rows)]:
                    out.write_table(rows.slice(first, size), row_group_size=size)

        return write

    def duck(options: str) -> Any:
        return lambda path: con.execute(f"COPY rows_of_part TO '{path}' (FORMAT parquet, {options})")

    kept: dict[str, Any] = {"use_dictionary": WORDS, "column_encoding": delta, "write_statistics": ["message", "t"]}
    kept |= {"write_page_checksum": True, "write_batch_size": BATCH, "store_schema": False}
    return {
        "Arrow: delta, zstd 1, a row group a message": arrow(**kept),
        "Arrow: the same, zstd 3": arrow(level=3, **kept),
        "Arrow: the same, lz4 (as parts are)": arrow("lz4", None, **kept),
        "Arrow: the same, not compressed": arrow("none", None, **kept),
        "Arrow: the same, one row group": arrow(by_message=False, **kept),
        "Arrow: the same, statistics of every column": arrow(**(kept | {"write_statistics": True})),
        "Arrow: the same, data pages of version 2": arrow(data_page_version="2.0", **kept),
        "Arrow: plain, zstd 1": arrow(use_dictionary=WORDS),
        "Arrow: dictionaries, zstd 1": arrow(use_dictionary=True),
        "Arrow: byte streams split, zstd 1": arrow(
            use_dictionary=WORDS, column_encoding=dict.fromkeys(delta, "BYTE_STREAM_SPLIT")
        ),
        "Polars: zstd 1": lambda path: frame.write_parquet(path, compression="zstd", compression_level=1),
        "Polars: zstd 3": lambda path: frame.write_parquet(path, compression="zstd", compression_level=3),
        "Polars: lz4": lambda path: frame.write_parquet(path, compression="lz4"),
        "Polars: not compressed": lambda path: frame.write_parquet(path, compression="uncompressed"),
        "DuckDB: version 1, zstd 1": duck("COMPRESSION zstd, COMPRESSION_LEVEL 1, PARQUET_VERSION v1"),
        "DuckDB: version 2, zstd 1": duck("COMPRESSION zstd, COMPRESSION_LEVEL 1, PARQUET_VERSION v2"),
        "DuckDB: version 2, not compressed": duck("COMPRESSION uncompressed, PARQUET_VERSION v2"),
    }


def _groups(rows: pa.Table) -> list[tuple[int, int]]:
    """First row and number of rows of each message."""
    runs = pl.Series(rows["message"]).rle().struct.unnest()["len"].to_list()
    return [(sum(runs[:i]), size) for i, size in enumerate(runs)]


def least(work: Callable[[Path], object], path: Path, times: int = 5) -> float:
    spent = []
    for _ in range(times):
        begun = time.process_time()
        work(path)
        spent.append(time.process_time() - begun)
    return min(spent)


def main() -> None:
    args = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    args.add_argument("--seconds", type=float, default=600.0, help="of the ride")
    args.add_argument("--out", type=Path, default=ROOT / "build" / "bench")
    given = args.parse_args()
    pa.set_cpu_count(1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        log = Simulated(given.seconds).write(folder / "in", 1, 0)
        store = Store.create(folder / "store", ROOT / "dbc_demo")
        taken = take_log(log, store)
        assert isinstance(taken, TakenLog), taken
        rows = pq.read_table(store.lake.root / taken.part, read_dictionary=WORDS)
        values = sum(len(column) - column.null_count for column in rows.columns)
        con = duckdb.connect()
        con.execute("SET threads = 1")
        found = []
        for way, write in writers(rows, con).items():
            path = folder / "again.parquet"
            try:
                spent = least(write, path)
            except (pa.ArrowException, pl.exceptions.PolarsError, duckdb.Error, OSError) as error:
                found.append({"writer": way, "note": str(error).splitlines()[0][:80]})
                continue
            size = path.stat().st_size
            found.append(
                {
                    "writer": way,
                    "ns a value": round(1e9 * spent / values, 2),
                    "bytes a value": round(size / values, 3),
                    "bytes a frame": round(size / rows.num_rows, 2),
                    "note": "",
                }
            )
    machine = {"rows": rows.num_rows, "values": values, "arrow": pa.__version__, "polars": pl.__version__}
    machine |= {"duckdb": duckdb.__version__}
    tell({"machine": machine, "bars": {}, "writers of parts": found}, given.out, "part_writers")


if __name__ == "__main__":
    main()
