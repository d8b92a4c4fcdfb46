"""Rows of vehicles that lie in files of the record, read by the process that assesses them: what a fleet's past holds
never passes through the one that plans."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl

from herdbook.pipeline.errors import DamagedPartError
from herdbook.pipeline.lake.part import REPAIR
from herdbook.pipeline.store.record_files import FOLDER, TABLES, RecordFile
from herdbook.pipeline.store.shards import shard_of

NONE = pl.DataFrame(schema={"id": pl.Int64, "vehicle": pl.String, "a": pl.Datetime("us"), "b": pl.Datetime("us")})
PAIRS = pl.List(pl.Struct({"key": pl.String, "value": pl.Float64}))
ROW_BYTES = 80  # of a row in memory; 79 as measured for rides of the demo's board


@dataclass(frozen=True)
class OldRows:
    """files: compared with their hashes, in any order. removed: id, vehicle, a, b: rows of these stretches [a, b) in
    files with a smaller id were measured again and count no more. a_vehicle: rows in files, on average."""

    store: Path = Path()
    files: tuple[RecordFile, ...] = ()
    removed: pl.DataFrame = field(default_factory=lambda: NONE)
    a_vehicle: float = 0.0

    def of(self, vehicles: Sequence[str]) -> OldRows:
        """What concerns these vehicles."""
        if not self.files:
            return self
        held = {shard_of(v, digits) for digits in {len(f.shard) for f in self.files} for v in vehicles}
        mine = tuple(f for f in self.files if f.shard in held)
        return replace(self, files=mine, removed=self.removed.filter(pl.col("vehicle").is_in(list(vehicles))))

    def megabytes(self, vehicles: int) -> float:
        """In memory, about."""
        return ROW_BYTES * self.a_vehicle * vehicles / 1e6

    def read(
        self, kind: str, since: Mapping[str, int], column: str = "", words: Collection[str] = ()
    ) -> pl.DataFrame | None:
        """Rows of one table, in its columns, of each vehicle from its time on (microseconds UTC), without those that
        have one of these words in a column; None without a file. Times without a zone, data of events a list of key
        and value. Raises: DamagedPartError."""
        try:
            return self._read(kind, since, ~pl.col(column).is_in(list(words)) if words else pl.lit(True))
        except (pl.exceptions.PolarsError, OSError) as error:
            said = str(error).splitlines()[0]
            raise DamagedPartError(f"the record cannot be read ({said})", self.store / FOLDER, REPAIR) from None

    def _read(self, kind: str, since: Mapping[str, int], wanted: pl.Expr) -> pl.DataFrame | None:
        paths = [str(self.store / f.file) for f in self.files if f.kind == kind]
        if not paths or not since:
            return None
        time = TABLES[kind]
        asked = pl.DataFrame(
            {"vehicle": list(since), "since": list(since.values())}, schema={"vehicle": pl.String, "since": pl.Int64}
        ).with_columns(pl.col("since").cast(pl.Datetime("us")))
        first, last, from_t = min(since), max(since), asked["since"].min()
        rows = (
            pl.scan_parquet(paths)
            .filter((pl.col("vehicle") >= first) & (pl.col("vehicle") <= last) & (pl.col(time) >= from_t) & wanted)
            .join(asked.lazy(), on="vehicle")
            .filter(pl.col(time) >= pl.col("since"))
            .drop("since")
            .collect()
        )
        if self.removed.height:
            rows = rows.with_row_index("row")
            again = (
                rows.select("row", "vehicle", time, "record_file")
                .join(self.removed, on="vehicle")
                .filter(
                    (pl.col(time) >= pl.col("a"))
                    & (pl.col(time) < pl.col("b"))
                    & (pl.col("id") > pl.col("record_file"))
                )
            )
            rows = rows.join(again.select("row").unique(), on="row", how="anti").drop("row")
        return rows.drop("record_file").with_columns(
            pl.col(name).cast(PAIRS) for name in rows.columns if name == "data"
        )
