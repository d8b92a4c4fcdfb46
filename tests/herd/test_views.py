"""The views of all vehicles in the published catalogue say what `herdbook herd` says."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from scipy.stats import binomtest

from herdbook.pipeline.herd.lives import part_life
from herdbook.pipeline.herd.outcomes import outcomes
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.times import naive_utc, utc_now
from tests.book.rows import enter, store_with
from tests.herd.invented import DAYS, EVERY, store_of
from tests.night.tables import T0, insert, logged


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


def test_rules_by_what_people_found_are_those_of_the_verb(tmp_path: Path) -> None:
    """As `herdbook herd outcomes`, which takes its ends from another reckoning of the same law."""
    store = store_with(tmp_path)
    with transaction(store.catalogue) as con:
        for i in range(9):
            logged(con, "s1", f"v{i}", "q" if i < 8 else "z", "new", "service")
            insert(con, "vehicles", vehicle=f"v{i}", profile="toy", built=T0.date(), zone="UTC")
    kinds = ["confirmed"] * 5 + ["refuted"] * 2
    rows = [
        {"vehicle": f"v{i}", "kind": "inspection", "rule": "q", "outcome": word, "said": "x", "when": "2026-03-03"}
        for i, word in enumerate(kinds)
    ]
    rows += [
        {"vehicle": "v0", "kind": "complaint", "rule": "q", "said": "slow", "when": "2026-03-06"},
        {"vehicle": "v1", "kind": "inspection", "rule": "q", "outcome": "refuted", "said": "y", "when": "2026-03-09"},
        {"kind": "repair", "rule": "r", "said": "mended", "when": "2026-03-08"},
        {"vehicle": "b", "kind": "complaint", "said": "squeaks", "when": "2026-03-06"},
    ]
    wrong, _ = enter(store, *rows, now=T0 + timedelta(days=60))
    assert not wrong
    publish(store)
    with store.read() as con:
        seen = con.execute("FROM rule_outcomes").fetchall()
        said = con.execute("SELECT vehicle, foreseen FROM complaints_foreseen ORDER BY ALL").fetchall()
        told, complaints = outcomes(con)
    assert [row[:5] for row in seen] == [(r.rule, r.told, r.confirmed, r.refuted, r.open) for r in told]
    assert [row[:5] for row in seen] == [("q", 8, 4, 3, 1), ("r", 1, 1, 0, 0), ("z", 1, 0, 0, 1)]
    for row, r in zip(seen, told, strict=True):
        if r.precision is not None:
            assert row[5:8] == pytest.approx((r.precision, r.low, r.high), abs=1e-9)
            exact = binomtest(r.confirmed, r.confirmed + r.refuted).proportion_ci(method="exact")
            assert row[6:8] == pytest.approx((exact.low, exact.high), abs=1e-6)
        else:
            assert row[5:8] == (None, None, None)
        assert row[8] == (pytest.approx(r.median_warning) if r.median_warning is not None else None)
    assert said == [("b", False), ("v0", True)]
    assert [e.vehicle for e in complaints.unforeseen] == ["b"]


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
