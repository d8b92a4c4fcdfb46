"""What `herdbook query` lets through: one SELECT, and of everything else that SQL can do nothing."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

import tests.toy.logs as toy
from herdbook.pipeline.commands.query import to_csv, to_parquet
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.herd.one_select import Limits, answering, once
from tests.lake.far import ROOT, herdbook
from tests.toy.bench import Bench


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    made = Bench(tmp_path_factory.mktemp("select"))
    toy.write(made.inbox / "a.log", toy.day())
    made.scan()
    (made.folder / "secret.txt").write_text("secret")
    (made.store.lake.root / "link").symlink_to(made.folder)
    return made


def rows(bench: Bench, sql: str, limits: Limits | None = None) -> list[tuple[object, ...]]:
    with answering(bench.store, sql, limits or Limits(timeout_s=30)) as answer:
        return [row for batch in answer.batches for row in batch]


def hashes(bench: Bench) -> dict[str, str]:
    """Of all files but our own note of which parts were compared when."""
    return {
        p.relative_to(bench.folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(bench.folder.rglob("*"))
        if p.is_file() and p.name != "checked.sqlite"
    }


REFUSED = {
    "copy over the catalogue": "COPY (SELECT 1) TO '{store}/catalogue.duckdb'",
    "copy over the published file": "COPY (SELECT 1) TO '{store}/fleet.duckdb'",
    "copy into the lake": "COPY (SELECT 1) TO '{store}/lake/x.parquet'",
    "copy over a part": "COPY (SELECT 1) TO '{part}'",
    "explained copy": "EXPLAIN ANALYZE COPY (SELECT 1) TO '{part}'",
    "copy in a function": "SELECT * FROM query('COPY (SELECT 1) TO ''{part}''')",
    "attach": "ATTACH '{store}/catalogue.duckdb' AS c (READ_WRITE)",
    "attach and delete": "ATTACH '{store}/catalogue.duckdb' AS c (READ_WRITE); DELETE FROM c.findings",
    "delete": "DELETE FROM findings",
    "two": "SELECT 1; SELECT 2",
    "nothing": "-- nothing",
    "set": "SET memory_limit = '100GB'",
    "pragma": "PRAGMA database_list",
    "call": "CALL duckdb_functions()",
    "install": "INSTALL httpfs",
    "load": "LOAD httpfs",
    "export": "EXPORT DATABASE '{folder}/out'",
    "another file": "SELECT * FROM read_text('{folder}/secret.txt')",
    "another file as a table": "SELECT * FROM '{folder}/secret.txt'",
    "out of the lake": "SELECT * FROM read_text('{store}/lake/../herdbook.toml')",
    "the settings": "SELECT * FROM read_text('{store}/herdbook.toml')",
    "a link": "SELECT * FROM read_text('{store}/lake/link/secret.txt')",
    "names of files": "SELECT * FROM glob('{folder}/*')",
    "environment": "SELECT * FROM read_blob('/proc/self/environ')",
    "an address": "SELECT * FROM read_csv('http://127.0.0.1:9/x.csv')",
    "a variable of ours": "SELECT * FROM sql",
    "secrets": "SELECT * FROM duckdb_secrets()",
}


@pytest.mark.parametrize("what", REFUSED)
def test_nothing_but_a_select_of_what_is_published(bench: Bench, what: str) -> None:
    """Refused in words, and not one byte of store and folder is other than before."""
    part = next(bench.store.lake.root.rglob("*.parquet"))
    before = hashes(bench)
    sql = REFUSED[what].format(store=bench.store.folder, folder=bench.folder, part=part)
    with pytest.raises(SettingsError, match="SQL: "):
        rows(bench, sql)
    assert hashes(bench) == before


@pytest.mark.parametrize(
    "sql",
    [
        *("SELECT count(*) FROM toy.pack", "FROM logs", "SHOW TABLES", "DESCRIBE logs", "SUMMARIZE metrics"),
        *("WITH a AS (SELECT 1) SELECT * FROM a;", "VALUES (1)", "SELECT 1 -- said", "SELECT * FROM serial_conflicts"),
    ],
)
def test_questions_are_answered(bench: Bench, sql: str) -> None:
    assert rows(bench, sql) or "conflicts" in sql


def test_time_and_memory_are_bounded(bench: Bench) -> None:
    endless = "SELECT count(*) FROM range(10000000) a, range(10000000) b WHERE a.range * b.range % 7 = 3"
    with pytest.raises(SettingsError, match=r"no answer within 0\.3 s"):
        rows(bench, endless, Limits(timeout_s=0.3))
    with pytest.raises(SettingsError, match=r"no answer within 0\.3 s"):  # one that gives rows all the time
        rows(bench, "SELECT * FROM range(100000000000)", Limits(timeout_s=0.3))
    with pytest.raises(SettingsError, match=r"more than 0\.05 GB"):
        rows(bench, "SELECT list(range) FROM range(100000000)", Limits(timeout_s=60, memory_gb=0.05))


def test_no_column_hides_another() -> None:
    assert once(["a", "b", "a", "a_2", "a"]) == ("a", "b", "a_2", "a_2_2", "a_3")


TYPES = (
    "SELECT INTERVAL 90 SECONDS AS i, [1, 2] AS l, {'a': 1, 'b': INTERVAL 1 DAY} AS s, MAP {'k': 2} AS m, "
    "1.50::DECIMAL(5, 2) AS d, DATE '0044-03-15 (BC)' AS bc, TIMESTAMP 'infinity' AS inf, DATE '0001-01-01' AS one, "
    "'ab'::BLOB AS b, uuid() AS u, TIME '10:00:00' AS t, TIMESTAMPTZ '2026-01-01 00:00:00+02' AS z, "
    "'nan'::DOUBLE AS nan, 170141183460469231731687303715884105727::HUGEINT AS h, "
    "union_value(a := 1) AS un, '101'::BIT AS bit, "
    "NULL AS nothing"
)


def test_every_type_is_shown_and_written(bench: Bench, tmp_path: Path) -> None:
    """On the terminal, as JSON and as CSV; Parquet refuses in words what it has no type for."""
    folder = str(bench.store.folder)
    for more in ((), ("--json",), ("--out", str(tmp_path / "t.csv"))):
        said = herdbook("query", TYPES, "--store", folder, *more)
        assert said.returncode == 0, said.stderr
        if more == ("--json",):
            [row] = json.loads(said.stdout)
            assert (row["i"], row["l"], row["s"], row["b"]) == (90.0, [1, 2], {"a": 1, "b": 86400.0}, "6162")
    [row] = csv.DictReader((tmp_path / "t.csv").read_text().splitlines())
    assert (row["i"], row["l"], row["one"]) == ("90.0", "[1, 2]", "0001-01-01")
    said = herdbook("query", TYPES, "--store", folder, "--out", str(tmp_path / "t.parquet"))
    assert said.returncode in (0, 2), said.stderr
    assert (tmp_path / "t.parquet").exists() == (said.returncode == 0)
    sql = "SELECT end_t - start_t AS lasted FROM sessions ORDER BY ALL"
    said = herdbook("query", sql, "--store", folder, "--out", str(tmp_path / "s.parquet"))
    assert said.returncode == 0, said.stderr
    expected = bench.ask("SELECT epoch(end_t - start_t) AS s FROM sessions ORDER BY ALL")
    assert pl.read_parquet(tmp_path / "s.parquet")["lasted"].to_list() == [s for (s,) in expected]


def test_every_table_can_be_written(bench: Bench, tmp_path: Path) -> None:
    with bench.store.read() as con:
        tables = [table for (table,) in con.execute("SHOW TABLES").fetchall()]
        rows = {table: con.execute(f'SELECT count(*) FROM "{table}"').fetchall()[0][0] for table in tables}
    for table in tables:
        for ending, write in (("csv", to_csv), ("parquet", to_parquet)):
            write(bench.store, f'SELECT * FROM "{table}"', Limits(), tmp_path / f"{table}.{ending}")
        assert pl.read_parquet(tmp_path / f"{table}.parquet").height == rows[table]


def test_no_cell_of_a_csv_is_a_formula(bench: Bench, tmp_path: Path) -> None:
    out = tmp_path / "x.csv"
    sql = """SELECT '=cmd|'' /C calc''!A0' AS "=a", '+1' AS p, '-1' AS m, '@x' AS t, chr(9) || '=1' AS tab, -1.5 AS n"""
    assert herdbook("query", sql, "--store", str(bench.store.folder), "--out", str(out)).returncode == 0
    head, row = csv.reader(out.read_text("utf-8").splitlines())
    assert head[0] == "'=a"
    assert row[:4] == ["'=cmd|' /C calc'!A0", "'+1", "'-1", "'@x"]
    assert row[4:] == ["'\t=1", "-1.5"]


def test_a_table_of_signals_holds_no_formula_either(tmp_path: Path) -> None:
    from herdbook.pipeline.reports.words.csv_cells import write_frame

    frame = pl.DataFrame({"t": [1, 2, 3], "=cmd()": ["=1+1", None, "ok"], "v": [-1.5, 2.0, None]})
    write_frame(tmp_path / "w.csv", frame)
    assert (tmp_path / "w.csv").read_text() == "t,'=cmd(),v\n1,'=1+1,-1.5\n2,,2.0\n3,ok,\n"


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_a_full_disk_leaves_what_was_there(bench: Bench, tmp_path: Path, ending: str) -> None:
    """A limit on the size of files stands for a full disk: the write fails half-way in the same way."""
    out = tmp_path / f"x.{ending}"
    out.write_text("before")
    code = (
        "import resource, sys\nresource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))\n"
        "from herdbook.flows.cli import main\nmain()"
    )
    sql = "SELECT range, hash(range) AS h FROM range(100000)"
    said = subprocess.run(
        [sys.executable, "-c", code, "query", sql, "--store", str(bench.store.folder), "--out", str(out)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        check=False,
    )
    assert (said.returncode, "what was there before stays" in " ".join(said.stderr.split())) == (5, True), said.stderr
    assert out.read_text() == "before"
    assert list(tmp_path.iterdir()) == [out]


def test_a_damaged_part_is_noticed_before_a_number_is_shown(tmp_path: Path) -> None:
    made = Bench(tmp_path)
    toy.write(made.inbox / "a.log", toy.day())
    made.scan()
    part = next(made.store.lake.root.rglob("*.parquet"))
    kept = bytearray(part.read_bytes())
    kept[len(kept) // 2] ^= 1
    part.write_bytes(kept)
    said = herdbook("query", "SELECT sum(Volt) FROM toy.pack", "--store", str(made.store.folder))
    assert (said.returncode, "damaged" in said.stderr, said.stdout) == (5, True, "")
