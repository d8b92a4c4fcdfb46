"""Whatever the order and however spread over nights the same logs arrive: the same sessions, metrics and findings."""

from __future__ import annotations

import random
import shutil
from pathlib import Path
from typing import Any

import pytest

from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.store import Store
from tests.flows.conftest import place
from tests.flows.same import contents, lake

RESULTS = (
    "logs",
    "sessions",
    "metrics",
    "events",
    "findings",
    "not_assessed",
    "scores",
    "installs",
    "vehicles",
    "log_faults",
    "log_messages",
    "log_spans",
    "log_doubts",
    "log_serials",
    "stretches",
)


@pytest.mark.parametrize("seed", [0, *(pytest.param(s, marks=pytest.mark.slow) for s in range(1, 12))])
def test_order_and_nights_of_arrival_leave_no_trace(tmp_path: Path, inbox: Path, plain: Path, seed: int) -> None:
    chance = random.Random(seed)
    logs = sorted(inbox.rglob("*.log"))
    chance.shuffle(logs)
    here = place(tmp_path / "store", tmp_path / "inbox")
    store = Store.open(here.folder)
    nights = chance.randint(2, 4)
    cuts = sorted(chance.sample(range(1, len(logs)), nights - 1))
    for a, b in zip([0, *cuts], [*cuts, len(logs)], strict=True):
        for path in logs[a:b]:
            target = tmp_path / "inbox" / path.relative_to(inbox)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, target)
        assert run_scan(tmp_path / "inbox", store, jobs=0).logs_new == b - a
    mine, undisturbed = contents(store.catalogue), contents(plain / "catalogue.duckdb")
    for table in RESULTS:
        left: list[Any] = mine[table]
        right: list[Any] = undisturbed[table]
        if table == "logs":  # the inbox of this test lies elsewhere
            left, right = ([tuple(str(c).rpartition("/ZB-")[2] for c in row) for row in rows] for rows in (left, right))
        assert left == right, table
    assert lake(here.folder) == lake(plain)
