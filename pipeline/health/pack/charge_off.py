"""Reported charge held against charge known from outside, anchor by anchor: at a full pack and at a low rest."""

from __future__ import annotations

import polars as pl

from herdbook.pipeline.health.reading import event_table, metric_rows
from herdbook.pipeline.health.rule import Record

ANCHOR = ("soc_pct", "se_pct")  # what such an event says
NEAR_S = 900.0  # before the end: at rest, or nearly
NEAR_START_S = 120.0  # after the start: nothing to speak of has flowed


def readings_off(record: Record, days: float) -> pl.DataFrame:
    """One row an anchor: reported less anchored charge in %, with the session's window.

    An anchor near the session's end is set against the reported charge at its end, one near its start against
    that at its start; others are left out."""
    anchors = event_table(record, "charge_anchor", ANCHOR)
    keys = {"session_start_t": "start_t", "session_end_t": "end_t"}
    end, start = (
        metric_rows(record, f"pack_soc_{side}_pct").select(**{k: pl.col(v) for k, v in keys.items()}, said="value")
        for side in ("end", "start")
    )
    near_end = (pl.col("session_end_t") - pl.col("end_t")).dt.total_seconds() < NEAR_S
    near_start = (pl.col("end_t") - pl.col("session_start_t")).dt.total_seconds() < NEAR_START_S
    late = anchors.join(end, on="session_start_t", how="inner").filter(near_end)
    early = anchors.join(start, on="session_start_t", how="inner").filter(near_start, ~near_end)
    rows = pl.concat([late, early]).with_columns(gap=pl.col("said") - pl.col("soc_pct"))
    if rows.height:
        rows = rows.filter(pl.col("start_t") >= pl.col("start_t").max() - pl.duration(days=days))
    return rows.sort("start_t")
