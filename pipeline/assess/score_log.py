"""How scores went over the scans: one row each time a scan changed one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import polars as pl

from herdbook.pipeline.store.connection import insert
from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb

NOTABLE = 0.5  # points: what a page shows as another number; engineering choice
COLUMNS = {"scan": pl.String, "vehicle": pl.String, "subsystem": pl.String, "score": pl.Float64}


def note_scores(con: duckdb.DuckDBPyConnection, scan: str, vehicles: Sequence[str], scores: pl.DataFrame) -> int:
    """Enter what changed against the score last entered; how many rows. scores: new rows of the table scores."""
    entered = ask(con, __name__, "last_scores", vehicles=list(vehicles))
    last = {(row["vehicle"], row["subsystem"]): row["score"] for row in entered}
    now = scores.select("vehicle", "subsystem", "score").rows()
    rows = [(scan, *row) for row in now if _differs(last.get(row[:2]), row[2])]
    insert(con, "score_log", pl.DataFrame(rows, schema=COLUMNS, orient="row"))
    return len(rows)


def _differs(before: float | None, now: float | None) -> bool:
    if before is None or now is None:
        return before is not now
    return abs(now - before) >= NOTABLE
