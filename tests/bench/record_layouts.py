"""How a record of metrics may lie: what a night appends, what publishing copies, what one vehicle's question reads.

    python tests/bench/record_layouts.py [--vehicles 1000] [--nights 20] [--out build/bench]

Made-up metrics of a ride a night and vehicle go into (today) one DuckDB file that is copied to be published, (a) a
Parquet file a night, sorted by vehicle, merged every so many nights, published as a list of files, and (b) a DuckDB
file a shard, of which every night changes every one. Processor time, all threads.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.night import tell  # noqa: E402

METRICS, SHARDS, MERGE = 160, 16, 10
TABLE = (
    "vehicle VARCHAR, start_t TIMESTAMP, name VARCHAR, item VARCHAR, value DOUBLE, unit VARCHAR, se DOUBLE, n BIGINT"
)
ASKED = "SELECT name, avg(value) FROM {} WHERE vehicle = 'ZB-00077' GROUP BY name"


def night(number: int, vehicles: int, rng: np.random.Generator) -> pl.DataFrame:
    """Rows of one ride of each vehicle, in the order of vehicles."""
    n = vehicles * METRICS
    which = np.repeat(np.arange(vehicles), METRICS)
    name = np.tile(np.arange(METRICS), vehicles)
    return pl.DataFrame(
        {
            "vehicle": pl.Series([f"ZB-{v:05d}" for v in range(vehicles)]).gather(which),
            "start_t": pl.Series(1_772_352_000_000_000 + number * 86_400_000_000 + which * 1_000_000).cast(
                pl.Datetime("us")
            ),
            "name": pl.Series([f"metric_{m // 4}" for m in range(METRICS)]).gather(name),
            "item": pl.Series([str(m % 4) for m in range(METRICS)]).gather(name),
            "value": rng.normal(3.3, 0.01, n),
            "unit": pl.Series(["V", "A", "degC", "mohm"]).gather(name % 4),
            "se": np.abs(rng.normal(0, 0.001, n)),
            "n": rng.integers(10, 5000, n),
        }
    )


def spent(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun


def append(path: Path, rows: pl.DataFrame) -> None:
    with duckdb.connect(path) as con:
        con.execute(f"CREATE TABLE IF NOT EXISTS metrics ({TABLE})")
        con.register("rows_of_night", rows)
        con.execute("INSERT INTO metrics BY NAME SELECT * FROM rows_of_night")
        con.execute("CHECKPOINT")


def copied(source: Path, target: Path) -> None:
    shutil.copyfile(source, target)
    with target.open("rb") as file:
        os.fsync(file.fileno())


def append_all(shards: Path, parts: Sequence[pl.DataFrame]) -> None:
    for i, part in enumerate(parts):
        append(shards / f"{i}.duckdb", part)


def copy_all(shards: Path, copies: Path) -> None:
    for path in shards.iterdir():
        copied(path, copies / path.name)


def merge(some: Sequence[Path], whole: Path) -> None:
    pl.read_parquet(list(some)).sort("vehicle", "start_t").write_parquet(whole, row_group_size=50_000)
    for old in some:
        old.unlink()


def ask(path: Path, table: str = "metrics") -> Callable[[], object]:
    def work() -> object:
        with duckdb.connect(path, read_only=path != Path(":memory:")) as con:
            return con.execute(ASKED.format(table)).fetchall()

    return work


def measure(folder: Path, vehicles: int, nights: int) -> list[dict[str, Any]]:
    rng = np.random.default_rng(0)
    one, files, shards = folder / "one.duckdb", folder / "files", folder / "shards"
    files.mkdir()
    shards.mkdir()
    cost: dict[str, float] = {}
    merging = 0.0
    open_files: list[Path] = []
    for number in range(nights):
        rows = night(number, vehicles, rng)
        parts = rows.with_columns(shard=rows["vehicle"].str.slice(3).cast(pl.Int64) % SHARDS).partition_by(
            "shard", include_key=False
        )
        cost["one append"] = spent(partial(append, one, rows))
        cost["one publish"] = spent(partial(copied, one, folder / "published.duckdb"))
        path = files / f"{number:05d}.parquet"
        cost["file append"] = spent(partial(rows.write_parquet, path, row_group_size=50_000))
        open_files.append(path)
        if len(open_files) == MERGE:
            merging += spent(partial(merge, open_files, files / f"merged-{number:05d}.parquet"))
            open_files = []
        cost["shards append"] = spent(partial(append_all, shards, parts))
    copies = folder / "copies"
    copies.mkdir()
    cost["shards publish"] = spent(partial(copy_all, shards, copies))
    listed = "read_parquet([" + ", ".join(f"'{p}'" for p in sorted(files.iterdir())) + "])"
    size = {"one": one.stat().st_size, "file": _size(files), "shards": _size(shards)}
    new = size["file"] / nights
    return [
        _row(
            "today: one DuckDB file, copied",
            cost["one append"],
            cost["one publish"],
            size["one"],
            size["one"],
            ask(one),
        ),
        _row(
            f"(a) Parquet, merged every {MERGE} nights",
            cost["file append"] + merging / nights,
            0.0,
            size["file"],
            new,
            ask(Path(":memory:"), listed),
        ),
        _row(
            f"(b) {SHARDS} DuckDB files, copied",
            cost["shards append"],
            cost["shards publish"],
            size["shards"],
            size["shards"],
            ask(shards / f"{77 % SHARDS}.duckdb"),
        ),
    ]


def _row(
    way: str, append_s: float, publish_s: float, size: float, a_night: float, asked: Callable[[], object]
) -> dict[str, Any]:
    return {
        "way": way,
        "append s": round(append_s, 3),
        "publish s": round(publish_s, 3),
        "size MB": round(size / 1e6, 1),
        "written to publish, MB a night": round(a_night / 1e6, 1),
        "one vehicle s": round(min(spent(asked) for _ in range(3)), 3),
    }


def _size(folder: Path) -> int:
    return sum(p.stat().st_size for p in folder.iterdir())


def main() -> None:
    args = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    args.add_argument("--vehicles", type=int, default=1000)
    args.add_argument("--nights", type=int, default=20)
    args.add_argument("--out", type=Path, default=ROOT / "build" / "bench")
    given = args.parse_args()
    with tempfile.TemporaryDirectory() as name:
        found = measure(Path(name), given.vehicles, given.nights)
    asked = {"vehicles": given.vehicles, "nights": given.nights, "rows": given.vehicles * given.nights * METRICS}
    tell({"machine": asked, "bars": {}, "layouts of a record": found}, given.out, "record_layouts")


if __name__ == "__main__":
    main()
