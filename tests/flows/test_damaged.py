"""A part that is damaged stops its vehicle for the night, and no other: as in a scan without Prefect."""

from __future__ import annotations

import os
from pathlib import Path

from herdbook.flows.night.in_task import assess_safely
from herdbook.flows.night.shared_workers import WorkerLimits, end_workers
from herdbook.pipeline.assess.plan import plan_group
from herdbook.pipeline.night.again import mark
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.store import Store
from tests.flows.conftest import place


def test_a_damaged_part_stops_its_vehicle_only(tmp_path: Path, inbox: Path) -> None:
    here = place(tmp_path / "store", inbox)
    store = Store.open(here.folder)
    run_scan(inbox, store, jobs=0)
    with store.read() as con:
        [(vehicle, part), *others] = con.execute(
            "SELECT vehicle, min(part) FROM logs GROUP BY vehicle ORDER BY vehicle"
        ).fetchall()
    os.truncate(store.lake.root / part, 100)
    mark(store)
    limits = WorkerLimits(1, 60.0, 4096.0)
    try:
        group = plan_group(store, [vehicle, others[0][0]])
        seen = [assess_safely(store, work, limits) for work in [group, *group.singly()]]
    finally:
        end_workers()
    for outcome in seen[:2]:
        assert "store check --repair" in outcome.problems[vehicle]
        assert set(outcome.problems) == {vehicle}
    assert [[g.judged["vehicle"].to_list() for g in outcome.assessed] for outcome in seen] == [
        [[others[0][0]]],
        [],
        [[others[0][0]]],
    ]
