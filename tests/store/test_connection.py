"""The catalogue's own tools, whoever used the connection before."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import duckdb
import polars as pl
import pytest

from herdbook.pipeline.errors import BusyError
from herdbook.pipeline.store import connection as catalogue
from herdbook.pipeline.store.connection import connect, insert, ours_alone, transaction, visit


@pytest.fixture
def con() -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    con.execute("CREATE TABLE numbers (n BIGINT)")
    con.execute("INSERT INTO numbers SELECT * FROM range(5000)")
    return con


def test_rows_left_unread_do_not_stop_an_insert(con: duckdb.DuckDBPyConnection) -> None:
    """DuckDB 2 itself refuses: that is what the guard is for."""
    con.execute("SELECT n FROM numbers ORDER BY n").fetchone()
    with pytest.raises(duckdb.Error, match="unfinished result"):
        con.register("more", pl.DataFrame({"n": [1]}))
    insert(con, "numbers", pl.DataFrame({"n": [1, 2]}))
    assert con.execute("SELECT count(*) FROM numbers").fetchall() == [(5002,)]


def test_an_insert_after_unread_rows_belongs_to_the_transaction(con: duckdb.DuckDBPyConnection) -> None:
    con.begin()
    con.execute("UPDATE numbers SET n = -n RETURNING n").fetchone()
    insert(con, "numbers", pl.DataFrame({"n": [1]}))
    con.rollback()
    assert con.execute("SELECT count(*), min(n) FROM numbers").fetchall() == [(5000, 0)]


def test_an_insert_on_a_fresh_connection_and_of_nothing() -> None:
    con = duckdb.connect()
    insert(con, "numbers", pl.DataFrame({"n": []}))
    con.execute("CREATE TABLE numbers (n BIGINT)")
    insert(con, "numbers", pl.DataFrame({"n": [7]}))
    assert con.execute("SELECT n FROM numbers").fetchall() == [(7,)]


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    path = tmp_path / "it's a catalogue.duckdb"
    with transaction(path) as con:
        con.execute("CREATE TABLE numbers (n BIGINT)")
    return path


def _spoilt(path: Path) -> None:
    with transaction(path) as con:
        con.execute("INSERT INTO numbers VALUES (1)")
        con.execute("SELECT n FROM numbers").fetchone()  # left unread
        raise ZeroDivisionError


def test_a_transaction_that_fails_changes_nothing_and_the_next_one_works(kept: Path) -> None:
    for _ in range(2):
        with pytest.raises(ZeroDivisionError):
            _spoilt(kept)
    with transaction(kept) as con:
        con.execute("CREATE TEMP TABLE aside AS SELECT 1")
        con.execute("INSERT INTO numbers VALUES (2)")
    with visit(kept, read_only=True) as con:
        assert con.execute("SELECT n FROM numbers").fetchall() == [(2,)]
        with pytest.raises(duckdb.CatalogException):
            con.execute("SELECT * FROM aside")
        with pytest.raises(duckdb.InvalidInputException, match="read-only"):
            con.execute("INSERT INTO numbers VALUES (3)")


def test_a_catalogue_is_locked_inside_a_transaction_and_free_after_it(
    kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    look = f"import duckdb; duckdb.connect({str(kept)!r})"
    monkeypatch.setattr(catalogue, "WAIT_S", 0.1)
    with transaction(kept):
        with pytest.raises(BusyError, match="by this process"):
            connect(kept)
        for _ in range(2):  # who waited in vain leaves the door shut for the next one
            with pytest.raises(BusyError, match="by this process"), visit(kept):
                pass
        assert subprocess.run([sys.executable, "-c", look], capture_output=True).returncode
    assert not subprocess.run([sys.executable, "-c", look], capture_output=True).returncode
    con = connect(kept)
    with pytest.raises(BusyError), visit(kept):
        pass
    con.close()
    with visit(kept) as con:
        assert con.execute("SELECT count(*) FROM numbers").fetchall() == [(0,)]


def test_a_catalogue_of_ours_alone_stays_open_between_visits_and_is_free_afterwards(kept: Path) -> None:
    look = f"import duckdb; duckdb.connect({str(kept)!r}).execute('INSERT INTO numbers VALUES (3)')"
    with ours_alone(kept):
        with transaction(kept) as con:
            con.execute("INSERT INTO numbers VALUES (2)")
        assert subprocess.run([sys.executable, "-c", look], capture_output=True).returncode  # held between visits
        with pytest.raises(ZeroDivisionError):
            _spoilt(kept)
        with visit(kept, read_only=True) as con:
            assert con.execute("SELECT n FROM numbers").fetchall() == [(2,)]
    with pytest.raises(ZeroDivisionError), ours_alone(kept):
        raise ZeroDivisionError
    assert not subprocess.run([sys.executable, "-c", look], capture_output=True).returncode
    with visit(kept) as con:
        assert con.execute("SELECT n FROM numbers ORDER BY n").fetchall() == [(2,), (3,)]
