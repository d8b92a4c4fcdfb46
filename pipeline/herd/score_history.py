"""Each vehicle's scores after the last scans, from what scans entered as changed."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from herdbook.pipeline.store.statements import ask, has

if TYPE_CHECKING:
    import duckdb

LAST = 12  # scans


def score_history(con: duckdb.DuckDBPyConnection, last: int = LAST) -> dict[tuple[str, str], list[float | None]]:
    """By (vehicle, subsystem): the score after each of the last complete scans, oldest first, as many for everybody.

    None: not assessed then, or not known yet. A score stands until a scan changed it."""
    if not has(con, "score_log"):
        return {}
    scans = [r["scan"] for r in ask(con, __name__, "complete_scans")]
    place = {scan: i for i, scan in enumerate(scans)}
    first = max(0, len(scans) - last)
    out: dict[tuple[str, str], list[float | None]] = {}
    for row in ask(con, __name__, "score_log"):
        line = out.setdefault((row["vehicle"], row["subsystem"]), [None] * (len(scans) - first))
        at = max(place[row["told_by"]] - first, 0)
        line[at:] = [row["score"]] * (len(line) - at)
    return out


def score_changes(
    con: duckdb.DuckDBPyConnection, last: int = LAST
) -> dict[tuple[str, str], list[tuple[date, float | None]]]:
    """By (vehicle, subsystem): the day of each of the last changes and the score from then on, oldest first."""
    if not has(con, "score_log"):
        return {}
    out: dict[tuple[str, str], list[tuple[date, float | None]]] = {}
    for row in ask(con, __name__, "score_log"):
        out.setdefault((row["vehicle"], row["subsystem"]), []).append((row["started_t"].date(), row["score"]))
    return {key: line[-last:] for key, line in out.items()}
