"""An invented herd with a year and a half of figures and a service book, whose truth is known: to test, to look at.

python -m tests.herd.invented FOLDER      makes a store there

Three batches on two sites. Batch B loses capacity twice as fast wherever it is ridden; batch C only seems to drag more:
it is ridden on the hill. Packs of B come back more often. A firmware of day 300 lowers what half of the vehicles draw.
"""

from __future__ import annotations

import sys
from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl

from herdbook.pipeline.store.connection import insert, transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from tests.book.rows import enter
from tests.night.tables import T0
from tests.toy.bench import DATA

DAYS = 500
EVERY = 10  # days from session to session
SITES = {"A": 0.5, "B": 0.5, "C": 0.85}  # share ridden on the hill
LAST = T0 + timedelta(days=260)
START = LAST - timedelta(days=DAYS)
FLASHED = 300


def store_of(folder: Path, vehicles: int = 90, seed: int = 1) -> Store:
    draw = np.random.default_rng(seed)
    store = Store.create(folder, DATA)
    herd = [(f"V-{i:03d}", "ABC"[i % 3]) for i in range(vehicles)]
    hill = {name: bool(draw.random() < SITES[batch]) for name, batch in herd}
    flashed = {name: i % 2 == 0 for i, (name, _) in enumerate(herd)}
    about = [
        {
            "vehicle": name,
            "profile": "toy",
            "batch": batch,
            "built": START.date(),
            "in_service": START.date() + timedelta(days=int(draw.integers(0, 60))),
            "zone": "UTC",
            "first_t": START,
            "last_t": LAST,
            "customer_ref": "hill" if hill[name] else "flat",
        }
        for name, batch in herd
    ]
    rows = [row for name, batch in herd for row in _figures(draw, name, batch, hill[name], flashed[name])]
    with transaction(store.catalogue) as con:
        insert(con, "vehicles", pl.DataFrame(about, infer_schema_length=None))
        frame = pl.DataFrame(rows, orient="row", schema=["vehicle", "start_t", "name", "item", "value", "unit"])
        same = {"se": pl.lit(None, pl.Float64), "n": pl.lit(100), "coverage": pl.lit(1.0)}
        insert(con, "metrics", frame.with_columns(**same))
        insert(con, "installs", pl.DataFrame(_installs(flashed)))
    publish(store)
    entered = [row for name, batch in herd for row in _book(draw, name, batch)]
    entered += [
        {"vehicle": v, "kind": "campaign", "said": "firmware 2", "when": _day(FLASHED)} for v, f in flashed.items() if f
    ]
    refused, _ = enter(store, *entered, now=LAST)
    assert not refused, refused[0]
    return store


def _day(number: int) -> str:
    return f"{START + timedelta(days=number):%Y-%m-%d}"


def _figures(
    draw: np.random.Generator, name: str, batch: str, hill: bool, flashed: bool
) -> list[tuple[str, object, str, str, float, str]]:
    n = np.arange(0, DAYS, EVERY)
    wander = np.zeros(n.size)
    for i in range(1, n.size):
        wander[i] = 0.6 * wander[i - 1] + draw.normal()
    fade = (0.012 if batch == "B" else 0.006) * draw.uniform(0.7, 1.3)
    offset = draw.normal(0, 1)
    drawn = 18 + 4 * hill + draw.normal(0, 1.0) - 2.0 * (flashed & (n >= FLASHED)) + draw.normal(0, 1.0, n.size)
    figures = {
        "pack_soh_pct": (100 + offset - fade * n + 0.4 * wander + draw.normal(0, 0.5, n.size), "%"),
        "group_dcr_10s_25c_mohm": (4 + 0.2 * offset + 0.0006 * n + 0.05 * wander, "mOhm"),
        "ride_rolling": (0.018 + 0.004 * hill + 0.0003 * wander + draw.normal(0, 0.0006, n.size), "1"),
        "consumption_wh_km": (drawn, "Wh/km"),
        "distance_km": (draw.uniform(20, 80, n.size), "km"),
        "pack_cycles": (draw.uniform(1, 3, n.size), "1"),
        "pack_age_hours_25c": (draw.uniform(50, 300, n.size), "h"),
        "cell_temp_max_c": (25 + 8 * np.sin(n / 365 * 2 * np.pi) + 3 * hill + draw.normal(0, 2, n.size), "degC"),
    }
    times = [START + timedelta(days=int(k), hours=2) for k in n]
    return [
        (name, t, figure, "", float(v), unit)
        for figure, (values, unit) in figures.items()
        for t, v in zip(times, values, strict=True)
    ]


def _installs(flashed: dict[str, bool]) -> list[dict[str, object]]:
    rows = []
    for name, new in flashed.items():
        change = START + timedelta(days=FLASHED)
        spans = [("1", START, change), ("2", change, LAST)] if new else [("1", START, LAST)]
        for version, a, b in spans:
            about = {"vehicle": name, "component": "controller_firmware", "serial": version}
            rows.append(about | {"from_t": a, "to_t": b, "known_by": "bus"})
    return rows


def _book(draw: np.random.Generator, name: str, batch: str) -> list[dict[str, str]]:
    rows = []
    for part, rate in (("pack", 0.002 if batch == "B" else 0.0006), ("belt", 0.0008)):
        for when in np.flatnonzero(draw.random(DAYS - 60) < rate):
            rows += [{"vehicle": name, "kind": "repair", "part": part, "said": "worn", "when": _day(int(when) + 60)}]
    return rows


if __name__ == "__main__":
    store_of(Path(sys.argv[1]))
