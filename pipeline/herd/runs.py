"""How long the runs took, and whether the next one will fit into its time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.store.statements import Row, ask, has

if TYPE_CHECKING:
    import duckdb

LAST = 14


@dataclass(frozen=True, slots=True)
class Forecast:
    """seconds_a_log: middle and worst of the runs that took logs in. longest_s: a night as large as the largest of
    them at the worst pace. limit_h: [night] limit_h. runs: how many the figures rest on."""

    seconds_a_log: float
    worst_a_log: float
    most_logs: int
    longest_s: float
    limit_h: float
    runs: int

    @property
    def fits(self) -> bool:
        return self.longest_s < self.limit_h * 3600


def runs(con: duckdb.DuckDBPyConnection) -> list[Row]:
    """The newest scans, newest first: scan, started_t, seconds (None while running or when killed), state, logs_new,
    logs_known, quarantined, vehicles, steps (seconds by step, as far as noted)."""
    steps: dict[str, dict[str, float]] = {}
    if has(con, "scan_steps"):
        for scan, step, seconds in con.execute("SELECT scan, step, seconds FROM scan_steps").fetchall():
            steps.setdefault(scan, {})[step] = seconds
    found = ask(con, __name__, "runs", last=LAST)
    return [row | {"steps": steps.get(row["scan"], {})} for row in found]


def forecast(of: Sequence[Row], limit_h: float) -> Forecast | None:
    """From the runs that took logs in; None when none did."""
    told = [r for r in of if r["state"] == "complete" and r["logs_new"] and r["seconds"]]
    if not told:
        return None
    pace = np.array([r["seconds"] / r["logs_new"] for r in told])
    most = max(int(r["logs_new"]) for r in told)
    # small runs pay for the start alone: their pace says nothing about a large one
    largest = [p for p, r in zip(pace, told, strict=True) if r["logs_new"] >= 0.5 * most]
    worst = float(max(largest))
    return Forecast(
        seconds_a_log=float(np.median(pace)),
        worst_a_log=worst,
        most_logs=most,
        longest_s=worst * most,
        limit_h=limit_h,
        runs=len(told),
    )
