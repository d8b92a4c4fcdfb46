"""Questions in SQL go through the guard, each with an engine of its own; what is to be copied really runs."""

from __future__ import annotations

import html
import json
import re
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from herdbook.pipeline.desk.scatter import COLUMNS, ROWS, grid, pairs
from herdbook.pipeline.store.store import Store

JSON = {"accept": "application/json"}


def ask(wires: httpx.Client, sql: str, **more: str) -> httpx.Response:
    return wires.get("/ask/rows", params={"sql": sql, **more}, headers=JSON)


@pytest.mark.parametrize(
    "sql",
    [
        "COPY (SELECT 1) TO 'x.csv'",
        "DROP TABLE findings",
        "SELECT 1; DELETE FROM findings",
        "ATTACH 'x.duckdb'",
        "SET memory_limit = '100GB'",
        "SELECT * FROM read_text('/etc/passwd')",
        "SELECT * FROM '{store}/herdbook.toml'",
        "SELECT * FROM read_blob('{store}/desk/*')",
        "",
    ],
)
def test_nothing_but_one_select_over_catalogue_and_lake(wires: httpx.Client, scanned_once: Store, sql: str) -> None:
    said = ask(wires, sql.replace("{store}", str(scanned_once.folder)))
    assert said.status_code == 400
    assert said.json()["what"].startswith("SQL:")
    assert wires.get("/fleet").status_code == 200  # the pages' engine is not locked by it


def test_questions_one_after_the_other_and_at_once(wires: httpx.Client, scanned_once: Store) -> None:
    for _ in range(2):
        assert ask(wires, "SELECT count(*) AS n FROM vehicles").json()["rows"] == [["2"]]
    found = ask(wires, "SELECT range AS n, 'x' AS x FROM range(1000)").json()
    assert (len(found["rows"]), found["more"], found["numeric"]) == (500, True, [True, False])
    files = [
        wires.get("/ask/file", params={"sql": "SELECT range FROM range(1000)", "as": k})
        for k in ("csv", "parquet", "xlsx")
    ]
    assert [f.status_code for f in files] == [200, 200, 200]
    assert files[0].text.count("\n") == 1001
    assert not list((scanned_once.folder / "desk").glob("*.duckdb*"))


def test_a_long_question_is_stopped_and_others_go_on_meanwhile(wires: httpx.Client) -> None:
    said: list[httpx.Response] = []
    long = "SELECT sum(a.range * b.range % 7) FROM range(400000000) a, range(1000) b"
    thread = threading.Thread(target=lambda: said.append(ask(wires, long, q="long-one")))
    thread.start()
    while not wires.get("/progress?q=long-one").json()["open"]:
        pass
    assert ask(wires, "SELECT 42 AS n").json()["rows"] == [["42"]]
    assert wires.get("/fleet").status_code == 200
    while thread.is_alive():  # it may not be inside the database yet
        wires.post("/stop?q=long-one")
        thread.join(0.2)
    assert said[0].json()["stopped"]
    assert "somebody stopped it" in said[0].json()["what"]
    assert not wires.get("/progress?q=long-one").json()["open"]


def test_what_needs_too_much_memory_is_told(wires: httpx.Client) -> None:
    said = ask(wires, "SELECT list(range) FROM range(2000000000)")
    assert said.status_code == 400
    assert "memory" in said.json()["what"]


def test_the_command_of_a_table_runs_as_it_stands(wires: httpx.Client, tmp_path: Path) -> None:
    page = wires.get("/fleet?find=zb-0105").text
    command, sql, python = (html.unescape(t) for t in re.findall(r"<pre[^>]*><code>(.*?)</code>", page, re.DOTALL))
    folder = Path(sys.executable).parent
    run = command.replace("herdbook ", f"{folder}/herdbook ", 1) + " --json"
    rows = json.loads(subprocess.run(["bash", "-c", run], check=True, capture_output=True, text=True).stdout)
    assert [r["vehicle"] for r in rows] == ["ZB-0105"]
    assert rows[0]["stop_use"] == 1
    (tmp_path / "ask.py").write_text(python + "print(table.height, table['vehicle'][0])\n")
    done = subprocess.run([sys.executable, "ask.py"], cwd=tmp_path, check=True, capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "1 ZB-0105"
    assert ask(wires, sql).json()["rows"][0][0] == "ZB-0105"


def test_pairs_and_grid_leave_nothing_out() -> None:
    rng = np.random.default_rng(4)
    xt = np.arange(5000, dtype=np.int64) * 20_000
    yt = np.arange(900, dtype=np.int64) * 100_000 + 7
    xv, yv = rng.normal(size=5000), rng.normal(size=900)
    xv[17] = 50.0  # one outlier
    yv[3] = np.nan
    a, b = pairs(xt, xv, yt, yv)
    expected = []
    for t, x in zip(xt.tolist(), xv.tolist(), strict=True):  # one by one
        before = [k for k in range(900) if yt[k] <= t and t - yt[k] <= 2_000_000][-1:]
        if before and yv[before[0]] == yv[before[0]]:
            expected.append((x, yv[before[0]]))
    assert list(zip(a.tolist(), b.tolist(), strict=True)) == expected
    column, row, n = grid(a, b)
    assert n.sum() == len(a)
    assert column.max() == COLUMNS - 1  # the outlier has its cell
    assert (column >= 0).all()
    assert (row < ROWS).all()


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"x": "pack_current", "y": "nonsense"}, "neither a role"),
        ({"x": "pack_current", "y": "charger_current"}, "nothing of"),
        ({"x": "pack_current"}, "two signals are needed"),
    ],
)
def test_a_pair_that_cannot_be_drawn_is_told(wires: httpx.Client, given: dict[str, Any], words: str) -> None:
    stretch = {"from": "2026-03-20T11:10:00Z", "to": "2026-03-20T11:15:00Z"}
    said = wires.get("/scatter/data", params={"v": "ZB-0105", **stretch, **given}, headers=JSON)
    assert said.status_code in (400, 404)
    assert words in said.json()["what"]
