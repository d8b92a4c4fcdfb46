"""The catalogue's own tools, whoever used the connection before."""

from __future__ import annotations

import duckdb
import polars as pl
import pytest

from pipeline.catalogue import insert


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
