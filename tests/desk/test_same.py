"""What is copied from a page gives what the page shows: of every page each of its three ways is run, and as SQL every
role and every form of a formula."""

from __future__ import annotations

import html
import io
import json
import re
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import httpx
import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pytest

from herdbook.pipeline.book import stop_use
from herdbook.pipeline.desk import night
from herdbook.pipeline.desk.formula_sql import sql_of
from herdbook.pipeline.desk.line_sql import question_of
from herdbook.pipeline.desk.lines import Named
from herdbook.pipeline.desk.role_sql import role_statement
from herdbook.pipeline.desk.same_signals import copies_of, statements
from herdbook.pipeline.herd.standing import LAST
from herdbook.pipeline.lake.read import load_signals, log_refs, read_signals
from herdbook.pipeline.night.read_changes import read_changes
from herdbook.pipeline.reports import verify_history
from herdbook.pipeline.reports.dossier.compared import COMPARED
from herdbook.pipeline.reports.dossier.leaves import peers
from herdbook.pipeline.reports.history.document import all_lines, context_of, document
from herdbook.pipeline.store.statements import ask as ask_store
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import from_stamp, micros
from herdbook.pipeline.vehicle.formula import formula
from herdbook.pipeline.vehicle.mapping import Mapping
from herdbook.pipeline.vehicle.roles import ROLES

START, END = (micros(from_stamp(t)) for t in ("2026-03-20T11:12:20Z", "2026-03-20T11:13:10Z"))


def values(store: Store, sql: str) -> np.ndarray:
    with store.read() as con:
        found = con.execute(f"SELECT value FROM ({sql}) ORDER BY t").fetchnumpy()["value"]
    return np.ma.filled(found, np.nan).astype(np.float64)


def test_the_sql_of_every_role_gives_what_the_page_draws(scanned_once: Store) -> None:
    read = load_signals(scanned_once, "ZB-0105", START, END)
    assert len(read.data) > 40
    found = dict(statements(scanned_once, "ZB-0105", [Named(r, r) for r in ROLES], START, END))
    for (role, item), series in read.data.items():
        name = role if item == "" else f"{role}[{item}]"
        np.testing.assert_allclose(values(scanned_once, found[name]), series.v, rtol=1e-12, atol=1e-12, err_msg=name)


MADE = {
    "of one frame": ("BMS_Pack.PackCurrent", "max(-BMS_Pack.PackCurrent, 0)"),
    "of several frames": (
        "BMS_Pack.PackCurrent",
        "BMS_Pack.PackCurrent * BMS_Pack.PackVoltage / 1000 + BMS_Heat.AirTemp",
    ),
    "of a condition": (
        "BMS_Pack.PackCurrent",
        "if_else(BMS_Pack.PackCurrent > 1 and not BMS_Heat.AirTemp > 90, 1.5, -2)",
    ),
}


@pytest.mark.parametrize("name", MADE)
def test_the_sql_of_a_formula_gives_its_numbers(scanned_once: Store, name: str) -> None:
    first, text = MADE[name]
    message, _, signal = first.partition(".")
    m = Mapping(
        "pack_current", "", message, signal, scale=0.5, offset=1.0, not_available=(17.0,), formula=formula(text)
    )
    with scanned_once.read() as con:
        refs = log_refs(con, "ZB-0105", START, END)
    profile = next(p for p in scanned_once.profiles() if p.name == refs[0].profile)
    own = replace(profile, roles=(m,))
    read = read_signals(scanned_once.lake, refs, [own], "ZB-0105", start=START - 2_000_000, end=END)
    series = read.series("pack_current", "")
    inside = series.t >= START
    assert inside.sum() > 100
    found = values(scanned_once, role_statement(m, profile.name, "ZB-0105", refs, START, END))
    np.testing.assert_allclose(found, series.v[inside], rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize(
    "text",
    [
        "A.x + A.y * 2 - 1",
        "-A.x / A.y",
        "max(A.x, A.y, 3)",
        "min(abs(A.x), A.y)",
        "bit(A.w, 3) + bits(A.w, 4, 3)",
        "bit(A.w, 63)",
        "1 < A.x <= 5",
        "A.x == 2 or not A.y",
        "if_else(A.x, A.y, -A.y)",
    ],
)
def test_every_form_of_a_formula(text: str) -> None:
    """Against the formula itself. A division by zero has no value either way."""
    rng = np.random.default_rng(7)
    x, y = rng.integers(-4, 8, 500).astype(np.float64), rng.integers(-2, 3, 500).astype(np.float64)
    w = rng.integers(-(2**62), 2**62, 500)
    of = {("A", "x"): x, ("A", "y"): y, ("A", "w"): w}
    made = formula(text)
    con = duckdb.connect()
    con.execute("CREATE TABLE rows (i BIGINT, x DOUBLE, y DOUBLE, w BIGINT)")
    con.executemany(
        "INSERT INTO rows VALUES (?, ?, ?, ?)", list(zip(range(500), x.tolist(), y.tolist(), w.tolist(), strict=True))
    )
    sql = sql_of(made, [name for _, name in made.signals])
    got = con.execute(f"SELECT {sql} AS v FROM rows ORDER BY i").fetchnumpy()["v"]
    expected = made.values({name: of[name] for name in made.signals})
    got = np.ma.filled(got, np.nan).astype(np.float64)
    finite = np.isfinite(expected)
    np.testing.assert_allclose(got[finite], expected[finite])
    assert not np.isfinite(got[~finite]).any()


def texts(page: str) -> list[tuple[str, str, str]]:
    found = [html.unescape(t) for t in re.findall(r"<pre[^>]*><code>(.*?)</code>", page, re.DOTALL)]
    return list(zip(found[::3], found[1::3], found[2::3], strict=True))


def rows_of(command: str) -> list[dict[str, Any]]:
    run = command.replace("herdbook ", f"{Path(sys.executable).parent}/herdbook ", 1) + " --json"
    return list(json.loads(subprocess.run(["bash", "-c", run], check=True, capture_output=True, text=True).stdout))


def in_python(text: str) -> Any:
    known: dict[str, Any] = {}
    exec(text, known)  # what a person pastes
    return known.get("table", known.get("lines"))


def three_ways(wires: httpx.Client, ways: tuple[str, str, str]) -> list[dict[str, Any]]:
    """Rows of a table, once all three ways and the file behind them were found to say the same."""
    command, sql, python = ways
    rows = rows_of(command)
    table = in_python(python)
    assert table.height == len(rows)
    said = wires.get("/ask/file", params={"sql": sql, "as": "parquet"})
    assert said.status_code == 200
    assert pq.read_table(io.BytesIO(said.content)).to_pylist() == table.to_dicts()
    return rows


def test_the_night_by_other_ways(wires: httpx.Client, scanned_once: Store) -> None:
    opened, changed = texts(wires.get("/night").text)
    rows = three_ways(wires, opened)
    with scanned_once.read() as con:
        matters = [m.key for m in stop_use.matters(con) if m.open]
        told = read_changes(con)
    assert [(r["vehicle"], r["rule"], r["item"]) for r in rows] == matters
    assert told is not None
    expected = {(c.change.value, c.vehicle, c.title, c.item, c.severity, c.reason) for c in told.changes}
    rows = three_ways(wires, changed)
    assert {tuple(r[k] for k in ("change", "vehicle", "title", "item", "severity", "reason")) for r in rows} == expected
    for name, n in (("open", len(matters)), ("changes", len(expected))):
        assert pq.read_table(io.BytesIO(wires.get(f"/table/{name}?as=parquet").content)).num_rows == n


def test_changes_of_a_night_with_mutes_as_the_change_list_has_them(client: httpx.Client, made_up_once: Store) -> None:
    with made_up_once.read() as con:
        scans = [scan for (scan,) in con.execute("SELECT DISTINCT by_scan FROM nights").fetchall()]
        for scan in scans:
            told = read_changes(con, scan)
            assert told is not None
            rows = con.execute(night.changes_of(scan).text()).fetchall()
            expected = {(c.change.value, c.severity, c.vehicle, c.title, c.item) for c in told.changes}
            assert {r[:5] for r in rows if not r[6]} == expected
            assert {(r[2], r[3], r[4]) for r in rows if r[6]} == {(c.vehicle, c.title, c.item) for c in told.muted}


def test_a_batch_by_other_ways(wires: httpx.Client, scanned_once: Store) -> None:
    page = wires.get("/batch?v=ZB-0105").text
    figures, shared = texts(page)
    rows = three_ways(wires, figures)
    with scanned_once.read() as con:
        for one in COMPARED:
            given = {"profile": "zirbel", "metric": one.metric, "last": LAST}
            expected = {r["vehicle"]: r["value"] for r in ask_store(con, peers.__name__, "peers", **given)}
            assert {r["vehicle"]: r["value"] for r in rows if r["metric"] == one.metric} == pytest.approx(expected)
    assert len(rows) > 10
    assert [r["title"] for r in three_ways(wires, shared)] == ["Electric brake drops out while braking"]


def test_pairs_by_other_ways(wires: httpx.Client) -> None:
    given = {"v": "ZB-0105", "x": "motor_current", "y": "pack_voltage"}
    given |= {"from": "2026-03-20T11:12:20Z", "to": "2026-03-20T11:13:10Z"}
    drawn = wires.get("/scatter/data", params=given, headers={"accept": "application/json"}).json()
    rows = three_ways(wires, tuple(drawn["copies"][k] for k in ("command", "sql", "python")))
    assert len(rows) == drawn["n"] > 100
    for axis in ("x", "y"):
        of = [r[drawn[axis]["name"]] for r in rows]
        assert (min(of), max(of)) == pytest.approx((drawn[axis]["low"], drawn[axis]["high"]))


def test_a_history_by_other_ways(wires: httpx.Client, scanned_once: Store, tmp_path: Path) -> None:
    then = "2099-01-01T10:00:00Z"
    (command, sql, python), *_ = texts(wires.get(f"/history?v=ZB-0105&zone=Europe/Vienna&units=mi&as_of={then}").text)
    run = command.replace("herdbook ", f"{Path(sys.executable).parent}/herdbook ", 1)
    subprocess.run(["bash", "-c", run], check=True, capture_output=True, cwd=tmp_path)
    assert verify_history(scanned_once, tmp_path / "history-ZB-0105.html").ok
    made = document(scanned_once, "ZB-0105", zone="Europe/Vienna", units="mi", as_of=from_stamp(then))
    assert in_python(python)["text"].to_list() == [line["text"] for line in made["lines"]]
    with scanned_once.read() as con:
        found = con.execute(sql).fetchall()
    assert {r[4] for r in found if r[0] == "log"} == {log["sha256"] for log in made["logs"]}
    assert all((scanned_once.lake.root / r[5]).exists() for r in found if r[0] == "log")


def test_the_rows_behind_each_line_of_a_history_make_it(wires: httpx.Client, scanned_once: Store) -> None:
    """A sum, an extreme, a count or a finding is made again from the rows that the line's own statement gives."""
    given = context_of(scanned_once, "ZB-0105")
    lines = all_lines(given)
    every = {log["log"] for log in given.facts.logs}
    page = html.unescape(wires.get("/history?v=ZB-0105").text)
    made: Counter[str] = Counter()
    for line in lines:
        question = question_of("ZB-0105", line, every)
        if line.section == "short":
            continue
        assert question or line.basis in ("not known", "advice", "stated"), line.text
        if question is None:
            continue
        assert question.text() in page
        with scanned_once.read() as con:
            table = pl.from_arrow(con.sql(question.text()).to_arrow_table())
        assert isinstance(table, pl.DataFrame)
        assert table.height, line.text
        if line.source and line.source.table == "metrics" and line.value is not None:
            column = {"odometer_end_km"} & set(line.source.where["name"])
            rows = table.filter(pl.col("name") == "odometer_end_km") if column else table
            values = rows["value"].to_numpy()
            made["of figures"] += 1
            ways = (values.sum(), values.max(), values.min())
            assert any(np.isclose(line.value, v, atol=1e-5) for v in ways), line.text
        elif line.source and line.source.table == "sessions":
            made["of sessions"] += 1
            assert table.height == line.value
        elif line.rule and line.severity:
            made["of findings"] += 1
            standing = table.filter(pl.col("change") == "stands")
            assert line.value in standing["measured"].to_list()
        elif not line.source and not line.rule:
            made["of logs"] += 1
            assert set(table["log"]) == (set(line.logs) if set(line.logs) < every else every)
    assert set(made) == {"of figures", "of sessions", "of findings", "of logs"}
    assert made["of figures"] > 8


def test_the_rows_of_a_line_by_all_three_ways(wires: httpx.Client) -> None:
    ways = texts(wires.get("/history?v=ZB-0105").text)[1:]
    [distance] = [w for w in ways if "'distance_km'" in w[1]]
    assert sum(r["value"] for r in three_ways(wires, distance)) > 1


def test_a_signal_that_nobody_recorded_is_no_fault_of_the_statement(scanned_once: Store) -> None:
    names = [Named(n, n) for n in ("pack_current", "No_Message.Nothing", "dc_link_voltage")]
    made = copies_of(scanned_once, "ZB-0105", names, START, END)
    with scanned_once.read() as con:
        assert con.execute(f"SELECT count(*) FROM ({made.sql}) WHERE name = 'pack_current'").fetchall()[0][0] > 100
    none = copies_of(scanned_once, "ZB-0105", names[1:2], START, END)
    with scanned_once.read() as con:
        assert con.execute(none.sql).fetchall() == [("no signal",)]
