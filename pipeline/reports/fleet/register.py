"""The register of the fleet page: one row a vehicle, packed tightly so that ten thousand fit and sort at once.

Columns travel as arrays; profile, batch and firmware as positions in a list of distinct texts; each
subsystem's score after the last scans as a character a scan (0..z: 36 steps from 0 to 100; "." = not assessed, or
before the first), where it moved.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.health.severity import SUBSYSTEMS
from herdbook.pipeline.herd.score_history import score_history
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.figure import script_safe
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row

if TYPE_CHECKING:
    from datetime import datetime

    import duckdb

STEPS = "0123456789abcdefghijklmnopqrstuvwxyz"


def packed(con: duckdb.DuckDBPyConnection, herd: list[Row], day: datetime | None) -> str:
    """The register as JSON, safe inside a script element. day: of the newest scan, from which ages count."""
    names = [row["vehicle"] for row in herd]
    shown = [numbers.visible(name) for name in names]
    files = {i: html.file_name(name) for i, name in enumerate(names)}
    made: dict[str, Any] = {
        "n": shown,
        "f": {i: file for i, file in files.items() if file != shown[i]},
        "p": _coded([row["profile"] for row in herd]),
        "b": _coded([row["batch"] for row in herd]),
        "w": _coded([row["firmware"] for row in herd]),
        "d": [_day(row["last_t"]) for row in herd],
        "day": _day(day),
        "s": [_counts(row) for row in herd],
        "q": [int(row["silent"]) for row in herd],
        "u": [row["sessions"] for row in herd],
        "m": [[_whole(row[name]) for row in herd] for name in SUBSYSTEMS],
        "t": _trails(con, herd),
    }
    return script_safe(json.dumps(made, separators=(",", ":"), ensure_ascii=True))


def _day(at: datetime | None) -> int | None:
    """Days since 1970."""
    return None if at is None else at.toordinal() - 719163


def _counts(row: Row) -> list[int] | int:
    counts = [row["stop_use"], row["service"], row["note"]]
    return counts if any(counts) else 0


def _whole(score: float | None) -> int | None:
    return None if score is None else round(score)


def _coded(texts: list[str]) -> dict[str, Any]:
    texts = [numbers.visible(text) for text in texts]
    names = sorted(set(texts))
    place = {name: i for i, name in enumerate(names)}
    return {"names": names, "at": [place[text] for text in texts]}


def _trails(con: duckdb.DuckDBPyConnection, herd: list[Row]) -> list[list[str]]:
    """By subsystem, then vehicle: the course of the score; empty where it never moved."""
    kept = score_history(con)
    return [[_moved(kept.get((row["vehicle"], name), [])) for row in herd] for name in SUBSYSTEMS]


def _moved(scores: Sequence[float | None]) -> str:
    trail = coded_trail(scores, 0.0, 100.0)
    return trail if len(set(trail)) > 1 else ""


def coded_trail(values: Sequence[float | None], low: float, high: float) -> str:
    """One character a value; outside low..high the end steps. Leading and only values of None are left out."""
    place = [None if v is None or v != v else round(min(max((v - low) / (high - low), 0.0), 1.0) * 35) for v in values]
    return "".join("." if p is None else STEPS[p] for p in place).lstrip(".")
