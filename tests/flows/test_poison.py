"""Logs that crash, stall or swell the process that reads them, and a reader that never lets go of fleet.duckdb."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.settings import FILE
from herdbook.pipeline.store.store import Store
from tests.flows.conftest import place
from tests.flows.same import contents, lake

POISON = Path(__file__).parent / "poison"


@pytest.mark.parametrize(
    ("kinds", "limit_s"), [(("crash", "swell"), 300), pytest.param(("stall",), 25, marks=pytest.mark.slow)]
)
def test_poisoned_logs_go_to_quarantine_and_take_nobody_with_them(
    tmp_path: Path, inbox: Path, plain: Path, monkeypatch: pytest.MonkeyPatch, kinds: tuple[str, ...], limit_s: int
) -> None:
    """The readers' own processes are really shot, put to sleep and made to swell (tests/flows/poison)."""
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(POISON), os.environ.get("PYTHONPATH", "")]))
    mixed = Path(shutil.copytree(inbox, tmp_path / "inbox"))
    good = next(mixed.rglob("*.log"))
    for kind in kinds:
        shutil.copy2(good, mixed / f"poison-{kind}.log")
    here = place(tmp_path / "store", mixed)
    text = (here.folder / FILE).read_text()
    (here.folder / FILE).write_text(text + f"[take]\nlog_time_s = {limit_s}\nlog_memory_mb = 900\n")
    store = Store.open(here.folder)
    # in a process of its own: what workers are forked from must start under the hook
    scan = [
        sys.executable,
        "-m",
        "herdbook.flows.cli",
        "scan",
        str(mixed),
        "--store",
        str(here.folder),
        "--jobs",
        "2",
        "--json",
    ]
    done = json.loads(subprocess.run(scan, capture_output=True, text=True, check=False).stdout)
    assert (done["logs_new"], len(done["quarantined"])) == (9, len(kinds))
    assert lake(here.folder) == lake(plain)
    mine, undisturbed = contents(store.fleet), contents(plain / "fleet.duckdb")
    for table in ("sessions", "metrics", "events", "findings", "scores"):
        assert mine[table] == undisturbed[table]
    con = store.read()
    reasons = dict(con.execute("SELECT name, reason FROM quarantine").fetchall())
    con.close()
    words = {"crash": "its reader crashed", "stall": "its reader stalled", "swell": "its reader too large"}
    assert reasons == {f"poison-{kind}.log": words[kind] for kind in kinds}


def test_a_reader_who_never_closes_neither_blocks_the_night_nor_is_disturbed(tmp_path: Path, inbox: Path) -> None:
    here = place(tmp_path / "store", inbox / "ZB-0001")
    store = Store.open(here.folder)
    run_scan(inbox / "ZB-0001", store, jobs=0)
    reader = duckdb.connect(str(store.fleet), read_only=True)
    before = reader.execute("SELECT count(*) FROM logs").fetchall()
    done = run_scan(inbox, store, jobs=0)
    assert done.logs_new == 6
    assert reader.execute("SELECT count(*) FROM logs").fetchall() == before
    reader.close()
    con = store.read()
    assert con.execute("SELECT count(*) FROM logs").fetchall() == [(9,)]
    con.close()
