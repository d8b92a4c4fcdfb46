"""Courses of figures over an invented herd whose truth is known."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.health.herd_figures import FIGURES, figure, limit_of
from herdbook.pipeline.herd.courses import Courses, VehicleCourse, courses
from herdbook.pipeline.metrics import all_sets
from tests.herd.books import T0, Con, catalogue, insert, installed, metric, vehicle
from tests.herd.invented import LAST, START, store_of

UNTIL = T0 + timedelta(days=400)


def fading(
    con: Con, name: str, a_day: float, n: int = 30, seed: int = 0, of: str = "pack_soh_pct", item: str = ""
) -> None:
    draw = np.random.default_rng(seed)
    if not con.execute("FROM vehicles WHERE vehicle = ?", [name]).fetchall():
        vehicle(con, name)
        con.execute("UPDATE vehicles SET built = ? WHERE vehicle = ?", [T0.date(), name])
    values = 100 - a_day * 10 * np.arange(n) + draw.normal(0, 0.3, n)
    con.execute(
        "INSERT INTO metrics SELECT ?, ? + to_days(10 * i::INT), ?, ?, values[i + 1], '%', NULL, 1, 1 "
        "FROM (SELECT unnest(range(0, ?)) AS i, ?::DOUBLE[] AS values)",
        [name, T0, of, item, n, values.tolist()],
    )


def asked(con: Con, name: str = "capacity", limit: float | None = None, draw: int = 0) -> Courses:
    return courses(con, figure(name, ageing=True), until=UNTIL, limit=limit, draw=draw)


def of(found: Courses, name: str) -> VehicleCourse:
    [one] = [c for c in found.rows if c.vehicle == name]
    return one


def test_the_soonest_comes_first_with_the_date_of_its_limit() -> None:
    con = catalogue()
    for i in range(12):
        fading(con, f"v{i}", 0.02, seed=i)
    fading(con, "fast", 0.05, seed=99)  # at 80 % on day 400; its values end on day 290
    found = asked(con)
    first = found.rows[0]
    assert first.vehicle == "fast"
    assert first.earliest is not None
    assert first.likely is not None
    assert first.latest is not None
    assert first.earliest <= T0 + timedelta(days=400) <= first.latest
    assert abs(first.likely - (T0 + timedelta(days=400))) < timedelta(days=25)
    assert first.words.startswith("likely on 20")
    assert of(found, "v3").words == "not within 365 days"
    assert found.herd == {"demo": 13}


def test_a_pack_that_was_exchanged_begins_anew() -> None:
    con = catalogue()
    fading(con, "a", 0.05, seed=1)
    installed(con, "a", "pack", "1", 0)
    installed(con, "a", "pack", "2", 250)
    one = of(asked(con), "a")
    assert one.n == 5
    assert one.words == "not enough to say: 5 values over 40 days"
    told = {"kind": "repair", "part": "pack", "zone": "UTC", "said": "cells", "from_t": T0 + timedelta(days=281)}
    insert(con, "service_book", entry=1, vehicle="a", **told)
    assert of(asked(con), "a").n == 1


def test_a_leak_is_followed_group_by_group() -> None:
    con = catalogue()
    for item, a_day in (("1", 0.0), ("2", 0.012), ("3", -0.01)):
        fading(con, "a", a_day, seed=int(item), of="cell_offset_top_pct", item=item)
    con.execute("UPDATE metrics SET value = value - 100")
    one = of(asked(con, "leak"), "a")
    assert one.item == "2"
    assert one.limit == -3.0
    assert one.passed


def test_a_figure_without_a_limit_says_so_and_takes_one() -> None:
    con = catalogue()
    fading(con, "a", 0.02, of="group_dcr_10s_25c_mohm")
    assert of(asked(con, "resistance"), "a").words == "no limit is set"
    assert of(asked(con, "resistance", limit=120.0), "a").words == "not within 365 days"


def test_drawn_courses_are_those_listed_first() -> None:
    con = catalogue()
    for i in range(9):
        fading(con, f"v{i}", 0.01 * i, seed=i)
    found = asked(con, draw=2)
    assert set(found.drawn) == {(c.vehicle, "") for c in found.rows[:2]}
    picture = found.drawn["v8", ""]
    assert picture.at[-1] > picture.days[-1]
    assert np.all(picture.low <= picture.line)
    assert np.all(picture.line <= picture.high)


def test_every_figure_is_one_that_some_metric_set_gives() -> None:
    known = {name for of in all_sets().values() for name in of.gives}
    assert {f.metric for f in FIGURES} <= known
    assert limit_of(figure("capacity")) == 80.0
    assert limit_of(figure("capacity"), {"pack_capacity_low.act": 75.0}) == 75.0
    with pytest.raises(SettingsError, match="no figure 'moons'"):
        figure("moons")


def test_the_invented_batch_that_fades_twice_as_fast_stands_in_front(tmp_path: Path) -> None:
    store = store_of(tmp_path / "store", vehicles=36)
    with store.read() as con:
        found = courses(con, figure("capacity"), until=LAST)
        worst = [c.vehicle for c in found.rows if c.now and c.n > 40][:3]
        batch = dict(con.execute("SELECT vehicle, batch FROM vehicles").fetchall())
    assert all(batch[v] == "B" for v in worst)
    assert all(c.first >= START for c in found.rows)


def test_a_herd_that_gets_worse_ever_faster_is_said_to_bend() -> None:
    """Lines drawn on would come to the limit too late; a herd along lines is not warned of."""
    for curve, warned in ((-0.0002, True), (0.0, False)):
        con = catalogue()
        draw = np.random.default_rng(2)
        for i in range(12):
            vehicle(con, f"v{i:02d}")
            for day in range(0, 300, 15):
                value = 100 - 0.01 * day + curve * day**2 + draw.normal(0, 0.3)
                metric(con, f"v{i:02d}", "pack_soh_pct", value, day, unit="%")
        found = courses(con, figure("capacity", ageing=True), until=T0 + timedelta(days=400))
        assert bool(found.bends) == warned
        assert all("it gets worse ever faster. The forecasts bend with it" in said for said in found.bends.values())
