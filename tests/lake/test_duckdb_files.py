"""DuckDB reads a far lake through local copies: by the lake's address, checked, and never out of another place."""

from __future__ import annotations

import hashlib
from pathlib import Path

import duckdb
import pytest

from herdbook.pipeline.errors import DamagedPartError, StoreError
from herdbook.pipeline.lake.duckdb_files import PartFileSystem, register


class Copies:
    """A far lake of which only the copies are there. get() says what it was asked for."""

    scheme, url, shown = "tea", "tea://pot/lake", "tea://pot/lake"

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.failed: StoreError | None = None
        self.asked: list[tuple[str, str]] = []

    def get(self, part: str, digest: str = "") -> Path:
        self.asked.append((part, digest))
        path = self.folder / part
        if not path.exists():
            raise DamagedPartError("a part of the lake is missing", part)
        return path


@pytest.fixture
def lake(tmp_path: Path) -> Copies:
    duckdb.connect().execute(f"COPY (SELECT range AS n FROM range(1000)) TO '{tmp_path / 'a.parquet'}'")
    return Copies(tmp_path)


@pytest.fixture
def con() -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    con.execute("CREATE TABLE parts (part VARCHAR, hash VARCHAR)")
    con.execute("INSERT INTO parts VALUES ('a.parquet', 'h')")
    return con


def test_a_view_reads_the_copy_by_the_lakes_address(lake: Copies, con: duckdb.DuckDBPyConnection) -> None:
    register(con, lake, None)
    register(con, lake, None)  # a second connection of the same database
    con.execute("CREATE VIEW a AS SELECT * FROM read_parquet(['tea://pot/lake/a.parquet'])")
    assert con.execute("SELECT count(*), sum(n) FROM a").fetchone() == (1000, 499_500)
    assert set(lake.asked) == {("a.parquet", "h")}  # with the hash that the catalogue has of it


def test_hashes_come_from_the_catalogue_that_is_open(lake: Copies, tmp_path: Path) -> None:
    path = tmp_path / "fleet.duckdb"
    with duckdb.connect(str(path)) as con:
        con.execute("CREATE TABLE parts AS SELECT 'a.parquet' AS part, 'k' AS hash")
    with duckdb.connect(str(path), read_only=True) as con:
        register(con, lake, path)
        assert con.execute("SELECT count(*) FROM read_parquet('tea://pot/lake/a.parquet')").fetchone() == (1000,)
    assert set(lake.asked) == {("a.parquet", "k")}


def test_what_went_wrong_is_kept_for_who_asks(lake: Copies, con: duckdb.DuckDBPyConnection) -> None:
    """DuckDB wraps the error in words of its own."""
    register(con, lake, None)
    with pytest.raises(duckdb.Error):
        con.execute("SELECT * FROM read_parquet('tea://pot/lake/b.parquet')")
    assert isinstance(lake.failed, DamagedPartError)


def test_nothing_outside_of_the_lake_is_opened(lake: Copies) -> None:
    files = PartFileSystem(lake, None)
    files.hashes = {}
    assert not files.exists("tea://pot/other/a.parquet")
    with pytest.raises(StoreError, match="is not in the lake of this store"):
        files.open("tea://pot/other/a.parquet")
    assert lake.asked == []


def test_an_open_copy_outlives_its_deletion(lake: Copies) -> None:
    """Another process may make room at any moment."""
    files = PartFileSystem(lake, None)
    files.hashes = {}
    whole = (lake.folder / "a.parquet").read_bytes()
    with files.open("tea://pot/lake/a.parquet") as file:
        (lake.folder / "a.parquet").unlink()
        assert hashlib.sha256(file.read()).digest() == hashlib.sha256(whole).digest()


def test_size_and_time(lake: Copies) -> None:
    files = PartFileSystem(lake, None)
    files.hashes = {}
    address = "tea://pot/lake/a.parquet"
    assert files.info(address)["size"] == (lake.folder / "a.parquet").stat().st_size
    assert files.glob(address) == [address]
    assert files.modified(address) == files.modified(address)
