"""The register of the fleet page: one row a vehicle, packed tightly so that ten thousand fit and sort at
once.

Columns travel as arrays; profile, batch and firmware as positions in a list of distinct texts; the last
sessions of three metrics as a character a value (0..z: 36 steps between the fleet's 2nd and 98th percentile;
"." = no value).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.reports import page, words
from pipeline.reports.facts import Row, rows
from pipeline.reports.figure import script_safe

if TYPE_CHECKING:
    import duckdb

LAST = 12
STEPS = "0123456789abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True, slots=True)
class Trail:
    """A small line beside a score."""

    subsystem: str
    metric: str
    words: str


TRAILS = (
    Trail("cells", "cell_r_ratio", "weakest group's resistance over the median group's"),
    Trail("thermal", "cell_temp_max_c", "highest cell temperature"),
    Trail("braking", "regen_ratio", "regeneration delivered over demanded"),
)


def packed(con: duckdb.DuckDBPyConnection, herd: list[Row]) -> str:
    """The register as JSON, safe inside a script element."""
    names = [row["vehicle"] for row in herd]
    shown = [words.visible(name) for name in names]
    files = {i: page.file_name(name) for i, name in enumerate(names)}
    made: dict[str, Any] = {
        "n": shown,
        "f": {i: file for i, file in files.items() if file != shown[i]},
        "p": _coded([row["profile"] for row in herd]),
        "b": _coded([row["batch"] for row in herd]),
        "w": _coded([row["firmware"] for row in herd]),
        "d": [None if row["last_t"] is None else row["last_t"].toordinal() - 719163 for row in herd],
        "s": [_counts(row) for row in herd],
        "q": [int(row["silent"]) for row in herd],
        "u": [row["sessions"] for row in herd],
        "m": [[_whole(row[trail.subsystem]) for row in herd] for trail in TRAILS],
        "t": [_trail(con, trail, names) for trail in TRAILS],
    }
    return script_safe(json.dumps(made, separators=(",", ":"), ensure_ascii=True))


def _counts(row: Row) -> list[int] | int:
    counts = [row["stop_use"], row["service"], row["note"]]
    return counts if any(counts) else 0


def _whole(score: float | None) -> int | None:
    return None if score is None else round(score)


def _coded(texts: list[str]) -> dict[str, Any]:
    texts = [words.visible(text) for text in texts]
    names = sorted(set(texts))
    place = {name: i for i, name in enumerate(names)}
    return {"names": names, "at": [place[text] for text in texts]}


def _trail(con: duckdb.DuckDBPyConnection, trail: Trail, names: list[str]) -> list[str]:
    found = {r["vehicle"]: r["values"] for r in rows(con, "trail", metric=trail.metric, last=LAST)}
    every = np.concatenate([np.asarray(v, float) for v in found.values()]) if found else np.empty(0)
    every = every[np.isfinite(every)]
    low, high = np.quantile(every, (0.02, 0.98)) if every.size else (0.0, 1.0)
    return [coded_trail(found.get(name, []), float(low), float(high)) for name in names]


def coded_trail(values: list[float], low: float, high: float) -> str:
    """One character a value; outside low..high the end steps."""
    reach = (high - low) or 1.0
    place = np.clip(np.round((np.asarray(values, float) - low) / reach * 35), 0, 35)
    return "".join("." if np.isnan(p) else STEPS[int(p)] for p in place)
