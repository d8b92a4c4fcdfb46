"""Findings as vehicle by day: a vehicle with a grave finding has its lane, a sound one has none."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
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
    covered, stop = (re.findall(r"<rect ", part) for part in svg.split("<g data-i=")[1:3])
    assert (len(covered), len(stop)) == (5, 1)  # five days apart, one with evidence
    assert "days with a log" in svg
    assert "stop use" in svg


def test_entries_of_the_service_book_stand_on_their_day(tmp_path: Path) -> None:
    """Beside the vehicle that is found, one without has a lane for its repair; a part fitted alone gives none."""
    made = Catalogue(tmp_path)
    for vehicle in ("AA-1", "BB-2", "CC-3"):
        made.vehicle(vehicle)
        made.log(vehicle, T0)
    made.finding("AA-1", "regen_dropout", severity="stop-use", windows=[window(T0, 3.0)], first_t=T0, last_t=T0)
    for entry, (vehicle, kind, day) in enumerate(
        (("AA-1", "complaint", 0), ("BB-2", "repair", 1), ("CC-3", "fitted", 0))
    ):
        t = T0 + timedelta(days=day)
        texts = ("zone", "part", "serial", "batch", "supplier", "rule", "item", "outcome", "said", "made_by", "source")
        given = dict.fromkeys(texts, "") | {"zone": "UTC", "part": "pack", "said": "so"}
        made.add("service_book", entry=entry, vehicle=vehicle, kind=kind, from_t=t, to_t=t, made_t=t, **given)
    store = made.close()
    svg = strip_of(store)
    assert "AA-1" in svg
    assert "BB-2" in svg
    assert "CC-3" not in svg
    marks = re.findall(r'<g class="marks".*?</g>', svg)
    assert [m.count("<svg") for m in marks] == [1, 1]
    places = [float(re.findall(r'x="([\d.]+)%', m)[0]) for m in marks]
    assert places[0] < places[1]
    assert "complaint, return" in svg


def test_a_day_of_another_zone_is_the_day_that_was_entered(tmp_path: Path) -> None:
    """20 March in Vienna begins on the 19th in UTC; its mark stands on the bar of a log of the 20th."""
    made = Catalogue(tmp_path)
    made.vehicle("AA-1")
    noon, day = datetime(2026, 3, 20, 12), datetime(2026, 3, 19, 23)
    for when in (noon - timedelta(days=10), noon):
        made.log("AA-1", when)
    texts = ("part", "serial", "batch", "supplier", "rule", "item", "outcome", "made_by", "source")
    given = dict.fromkeys(texts, "") | {"zone": "Europe/Vienna", "said": "new belt"}
    end = day + timedelta(days=1)
    made.add("service_book", entry=1, vehicle="AA-1", kind="repair", from_t=day, to_t=end, made_t=end, **given)
    svg = strip_of(made.close())
    logs, repair = svg.split("<g data-i=")[1:3]
    bars = [(float(x), float(wide)) for x, wide in re.findall(r'<rect x="([\d.]+)%" width="([\d.]+)%"', logs)]
    [place] = [float(x) for x in re.findall(r'<svg x="([\d.]+)%"', repair)]
    assert bars[-1][0] < place < sum(bars[-1])


def test_nothing_found_draws_nothing(tmp_path: Path) -> None:
    book = Catalogue(tmp_path)
    book.vehicle("AA-1")
    assert strip_of(book.close()) == ""
