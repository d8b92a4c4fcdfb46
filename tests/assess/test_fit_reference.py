"""Refitting writes the reference of every profile and marks the fleet to be judged by it; nothing else does."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.pipeline.assess.fit_reference import refit
from herdbook.pipeline.store.connection import connect, transaction
from herdbook.pipeline.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Eight vehicles with three rides each: heat ratio 1.2, in steps of 0.01 from vehicle to vehicle."""
    store = Store.create(tmp_path / "store", Path("dbc_demo"))
    with transaction(store.catalogue) as con:
        con.execute("INSERT INTO reference VALUES ('old', 'x', '', 1, 1, '1', 9)")
        for i in range(8):
            con.execute("INSERT INTO vehicles (vehicle, profile) VALUES (?, 'board')", [f"V{i}"])
            for day in (1, 2, 3):
                start = f"2026-03-0{day} 08:00:00"
                con.execute(
                    "INSERT INTO sessions (vehicle, start_t, end_t, kind, coverage, logs, rule_set) "
                    "VALUES "
                    "(?, ?, ?, 'ride', 1, [], '')",
                    [f"V{i}", start, start],
                )
                names = "vehicle, start_t, value, name, item, unit, se, n, coverage"
                rest = "'pack_heat_ratio', '', '1', 0.05, 9, 1"
                row = [f"V{i}", start, 1.2 + 0.01 * i]
                con.execute(f"INSERT INTO metrics ({names}) VALUES (?, ?, ?, {rest})", row)
    return store


def test_refit_replaces_the_reference(store: Store) -> None:
    figures = refit(store)
    assert figures.columns == ["profile", "name", "item", "value", "spread", "unit", "n"]
    con = connect(store.catalogue, read_only=True)
    touched = con.execute("SELECT vehicle FROM touched ORDER BY vehicle").fetchall()
    rows = con.execute("SELECT profile, name, item, value, unit, n FROM reference").fetchall()
    con.close()
    assert touched == [(f"V{i}",) for i in range(8)]
    assert rows == [("board", "pack_heat_ratio", "ride", pytest.approx(1.235, abs=0.006), "1", 8)]
