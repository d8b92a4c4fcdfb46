"""The views of all vehicles in the published catalogue say what `herdbook herd` says."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from herdbook.pipeline.herd.lives import part_life
from herdbook.pipeline.times import naive_utc, utc_now
from tests.book.rows import enter, store_with
from tests.herd.invented import DAYS, EVERY, store_of
from tests.night.tables import T0


def test_lives_of_parts_are_those_of_the_verb(tmp_path: Path) -> None:
    store = store_with(tmp_path)
    part = {"part": "remote", "batch": "R1"}
    rows = [
        part | {"kind": "fitted", "serial": "1", "when": "2026-03-02"},
        {"kind": "removed", "part": "remote", "outcome": "failed", "when": "2026-03-12"},
        part | {"kind": "fitted", "serial": "2", "when": "2026-03-12"},
        {"kind": "removed", "part": "remote", "outcome": "sound", "when": "2026-04-01"},
        part | {"kind": "fitted", "serial": "3", "vehicle": "b", "when": "2026-03-20"},
        part | {"kind": "fitted", "serial": "4", "vehicle": "b", "when": "2026-03-25"},
    ]
    wrong, _ = enter(store, *rows, now=T0 + timedelta(days=60))
    assert not wrong
    now = naive_utc(utc_now())
    with store.read() as con:
        found = con.execute("SELECT serial, days, failed FROM part_lives ORDER BY serial").fetchall()
        life = part_life(con, "remote", until=now)
    assert found[:3] == [("1", 10, True), ("2", 20, False), ("3", 5, True)]
    assert (found[3][0], found[3][2]) == ("4", False)
    assert life is not None
    [group] = life.groups
    assert group.failures == sum(failed for _, _, failed in found)
    assert group.watched == pytest.approx(sum(days for _, days, _ in found), abs=2)


def test_use_is_what_the_record_has(tmp_path: Path) -> None:
    store = store_of(tmp_path / "store", vehicles=3)
    with store.read() as con:
        rows = con.execute("SELECT vehicle, batch, site, sessions, km FROM vehicle_use ORDER BY vehicle").fetchall()
        [(km,)] = con.execute(
            "SELECT sum(value) FROM metrics WHERE vehicle = 'V-001' AND name = 'distance_km'"
        ).fetchall()
    assert [row[:2] for row in rows] == [("V-000", "A"), ("V-001", "B"), ("V-002", "C")]
    assert all(row[3] == DAYS // EVERY for row in rows)
    assert rows[1][4] == pytest.approx(km)
