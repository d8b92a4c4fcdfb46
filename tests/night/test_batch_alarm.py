"""A batch that departs is told once; a herd in which none does is left alone, though values hang together in time."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from herdbook.pipeline.night.batch_alarm import SURE, departures, tell_departures
from herdbook.pipeline.night.close import close_night
from herdbook.pipeline.night.read_changes import read_changes
from herdbook.pipeline.store.statements import Row
from tests.night.tables import T0, catalogue, insert, scan

BATCHES, EACH, FIGURES = 4, 12, ("capacity", "drag", "use")


def rows_of(values: np.ndarray, batch: np.ndarray, site: np.ndarray, windows: float) -> list[Row]:
    return [
        {"profile": "p", "batch": f"b{b}", "site": f"s{s}", "vehicle": str(i), "value": float(v), "windows": windows}
        for i, (v, b, s) in enumerate(zip(values, batch, site, strict=True))
    ]


def nights(draw: np.random.Generator, weeks: int, shift: float = 0.0) -> int:
    """In how many nights something departs. Vehicles differ by 1; values wander by 1 (0.8 alike from week to week); the
    newest 26 weeks are averaged. Batches come to the sites unevenly, and sites differ. shift: of batch 0."""
    n = BATCHES * EACH
    batch = np.repeat(np.arange(BATCHES), EACH)
    site = (draw.random(n) < 0.2 + 0.2 * batch).astype(int)
    level = {f: draw.normal(0, 1, n) + 1.5 * site + shift * (batch == 0) for f in FIGURES}
    wander = {f: np.zeros((n, weeks)) for f in FIGURES}
    for f in FIGURES:
        for w in range(1, weeks):
            wander[f][:, w] = 0.8 * wander[f][:, w - 1] + draw.normal(0, 0.6, n)
    born = draw.integers(0, weeks // 2, n)  # vehicles come one after the other
    told = 0
    for w in range(8, weeks, 2):
        known = born + 3 <= w
        windows = max(1.0, w / 26)
        rows = {}
        for f in FIGURES:
            mean = [wander[f][i, max(born[i], w - 26) : w + 1].mean() for i in np.flatnonzero(known)]
            rows[f] = rows_of(level[f][known] + np.array(mean), batch[known], site[known], windows)
        told += bool(departures(rows))
    return told


def test_a_herd_in_which_no_batch_differs_has_hardly_ever_an_alarm() -> None:
    """30 herds of 78 weeks, looked at every second week: at most SURE of them may have an alarm in all that time."""
    draw = np.random.default_rng(1)
    herds = sum(nights(draw, 78) > 0 for _ in range(30))
    assert herds <= 2, f"{herds} of 30 herds, where {30 * SURE:.1f} are to be expected at most"


def test_a_batch_that_departs_is_seen() -> None:
    draw = np.random.default_rng(2)
    assert sum(nights(draw, 78, shift=2.5) > 0 for _ in range(8)) >= 7


def test_it_is_told_once_in_the_change_list() -> None:
    con, draw = catalogue(), np.random.default_rng(3)
    for i in range(24):
        batch = "AB"[i % 2]
        last = T0 + timedelta(days=50)
        insert(con, "vehicles", vehicle=f"v{i}", profile="p", batch=batch, first_t=T0, last_t=last, customer_ref="x")
        for n in range(5):
            value = 100 + float(draw.normal(0, 1)) - 8 * (batch == "B")
            given = {"name": "pack_soh_pct", "value": value, "unit": "%"}
            insert(con, "metrics", vehicle=f"v{i}", start_t=T0 + timedelta(days=10 * n), **given)
    scan(con, "s1", 51)
    close_night(con, "s1", T0 + timedelta(days=51))
    first = tell_departures(con, "s1")
    assert len(first) == 1  # of two batches, the worse one
    assert first[0].startswith("batch B of p departs from the others: capacity, share of rated lower by")
    assert tell_departures(con, "s1") == []
    told = read_changes(con)
    assert told is not None
    assert set(told.notes) == set(first)
    scan(con, "s2", 52)
    close_night(con, "s2", T0 + timedelta(days=52))
    assert tell_departures(con, "s2") == []


def test_few_vehicles_raise_no_alarm() -> None:
    few = rows_of(np.array([1.0, 1, 1, 1, 9, 9, 9, 9]), np.repeat([0, 1], 4), np.zeros(8, int), 1.0)
    assert departures({"capacity": few}) == []
