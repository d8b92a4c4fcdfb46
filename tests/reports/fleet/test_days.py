"""Findings as vehicle by day: a vehicle with a grave finding has its lane, a sound one has none."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

from herdbook.pipeline.reports.fleet import days
from herdbook.pipeline.store.store import Store
from tests.reports.made_up import T0, Catalogue, window


def strip_of(store: Store) -> str:
    with store.read() as con:
        return str(days.strip(con))


def test_days_of_evidence_lie_over_days_with_logs(tmp_path: Path) -> None:
    book = Catalogue(tmp_path)
    for vehicle in ("AA-1", "BB-2"):
        book.vehicle(vehicle)
        for day in range(0, 10, 2):
            book.log(vehicle, T0 + timedelta(days=day))
    start = T0 + timedelta(days=4)
    book.finding(
        "AA-1", "regen_dropout", severity="stop-use", windows=[window(start, 3.0)], first_t=start, last_t=start
    )
    store = book.close()
    svg = strip_of(store)
    assert "AA-1" in svg
    assert "BB-2" not in svg
    covered, stop = (re.findall(r"<rect ", part) for part in svg.split("<g ")[1:3])
    assert (len(covered), len(stop)) == (5, 1)  # five days apart, one with evidence
    assert "days with a log" in svg
    assert "stop use" in svg


def test_nothing_found_draws_nothing(tmp_path: Path) -> None:
    book = Catalogue(tmp_path)
    book.vehicle("AA-1")
    assert strip_of(book.close()) == ""
