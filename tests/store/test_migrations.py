"""A catalogue is brought to the newest schema whole or not at all, and one that is there already is left alone."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.store import migrations
from herdbook.pipeline.store.migrations import SCHEMA, copy_whole, migrate, steps, version


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "catalogue.duckdb"
    migrate(path)
    return path


def test_a_new_catalogue_has_every_step(path: Path) -> None:
    with duckdb.connect(str(path), read_only=True) as con:
        assert con.execute("SELECT version, name FROM versions ORDER BY version").fetchall() == [
            (number, name) for number, name, _ in steps()
        ]
        assert version(con) == steps()[-1][0]
    assert path.stat().st_mode & 0o007 == 0
    with duckdb.connect() as con:
        assert version(con) == 0


def test_the_newest_is_left_alone(path: Path) -> None:
    before = path.read_bytes()
    migrate(path)
    assert path.read_bytes() == before
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_a_step_that_fails_leaves_the_old_catalogue(
    path: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    bad = tmp_path / "9000_bad.sql"
    bad.write_text("CREATE TABLE half (n BIGINT); CREATE TABLE half (n BIGINT);")
    good = steps()
    monkeypatch.setattr(migrations, "steps", lambda: [*good, (9000, "9000_bad", bad)])
    with pytest.raises(duckdb.Error, match="half"):
        migrate(path)
    for kept in (path, path.with_name("catalogue.before-9000.duckdb")):
        with duckdb.connect(str(kept), read_only=True) as con:
            assert version(con) == good[-1][0]
            assert not con.execute("SELECT 1 FROM duckdb_tables() WHERE table_name = 'half'").fetchall()
    bad.write_text("CREATE TABLE half (n BIGINT);")
    migrate(path)
    with duckdb.connect(str(path), read_only=True) as con:
        assert version(con) == 9000


def test_every_step_has_a_number_of_its_own() -> None:
    numbers = [number for number, _, _ in steps()]
    assert numbers == sorted(set(numbers))


def test_a_number_that_is_left_out_is_explained() -> None:
    numbers = {number for number, _, _ in steps()}
    missing = set(range(1, max(numbers))) - numbers
    said = (SCHEMA / "README.md").read_text("utf-8")
    assert all(f"no step {number:04d}" in said for number in missing)


def test_a_copy_is_whole_or_the_old_one(tmp_path: Path) -> None:
    source, target = tmp_path / "a", tmp_path / "b"
    source.write_bytes(b"new")
    target.write_bytes(b"old")
    with pytest.raises(StoreError, match="cannot be copied to"):
        copy_whole(tmp_path / "missing", target)
    assert target.read_bytes() == b"old"
    copy_whole(source, target)
    assert target.read_bytes() == b"new"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "b"]
