"""How scores went over the scans: one row each time a scan changed one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import polars as pl

from herdbook.pipeline.store.connection import insert

if TYPE_CHECKING:
    import duckdb

NOTABLE = 0.5  # points: what a page shows as another number; engineering choice


def note_scores(
    con: duckdb.DuckDBPyConnection, scan: str, vehicles: Sequence[str], scores: Sequence[dict[str, Any]]
) -> int:
    """Enter what changed against the score last entered; how many rows. scores: new rows of the table scores."""
    last = {
        (v, s): score
        for v, s, score in con.execute(
            "SELECT vehicle, subsystem, last(score ORDER BY rowid) FROM score_log WHERE vehicle IN (SELECT unnest(?)) "
            "GROUP BY ALL",
            [list(vehicles)],
        ).fetchall()
    }
    rows = [
        {"scan": scan, "vehicle": s["vehicle"], "subsystem": s["subsystem"], "score": s["score"]}
        for s in scores
        if _differs(last.get((s["vehicle"], s["subsystem"])), s["score"])
    ]
    insert(con, "score_log", pl.DataFrame(rows, schema_overrides={"score": pl.Float64}, infer_schema_length=None))
    return len(rows)


def _differs(before: float | None, now: float | None) -> bool:
    if before is None or now is None:
        return before is not now
    return abs(now - before) >= NOTABLE
