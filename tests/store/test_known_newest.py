"""A store known to be of the newest version is opened without its private catalogue, which is looked into otherwise."""

from __future__ import annotations

import multiprocessing
from pathlib import Path

import duckdb
import pytest

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.store import migrations
from herdbook.pipeline.store.known_newest import KNOWN
from herdbook.pipeline.store.store import Store
from tests.toy.bench import Bench


def _hold(catalogue: Path, held: object, over: object) -> None:
    """Another process that writes, for as long as it is wanted."""
    con = duckdb.connect(str(catalogue))
    held.set()  # type: ignore[attr-defined]
    over.wait(60)  # type: ignore[attr-defined]
    con.close()


def test_who_reads_does_not_wait_for_who_writes(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("herdbook.pipeline.store.connection.WAIT_S", 0.1)
    bench.scan()
    Store.open(bench.store.folder)
    context = multiprocessing.get_context("forkserver")
    held, over = context.Event(), context.Event()
    process = context.Process(target=_hold, args=(bench.store.catalogue, held, over))
    process.start()
    try:
        assert held.wait(60)
        with Store.open(bench.store.folder).read() as con:
            assert con.execute("SELECT count(*) FROM scans").fetchall() == [(1,)]
    finally:
        over.set()
        process.join(60)


def test_a_catalogue_that_grew_or_is_another_one_is_looked_into(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    looked: list[Path] = []
    migrate = migrations.migrate

    def counted(path: Path) -> None:
        looked.append(path)
        migrate(path)

    monkeypatch.setattr("herdbook.pipeline.store.known_newest.migrate", counted)
    folder, catalogue = bench.store.folder, bench.store.catalogue
    Store.open(folder)
    looked.clear()
    Store.open(folder)
    assert looked == []
    whole = catalogue.read_bytes()
    catalogue.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(StoreError):
        Store.open(folder)
    catalogue.write_bytes(whole)
    Store.open(folder)
    catalogue.rename(folder / "away")
    (folder / "away").replace(catalogue)  # the same file under its name again
    Store.open(folder)
    assert len(looked) == 1
    (folder / "copy").write_bytes(whole)
    (folder / "copy").replace(catalogue)
    Store.open(folder)
    assert len(looked) == 2


def test_an_older_copy_put_back_over_itself_is_looked_into(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Equal inode, equal size, and none of what was written since: only the count in its head tells."""
    looked: list[Path] = []
    folder, catalogue = bench.store.folder, bench.store.catalogue
    older = catalogue.read_bytes()
    for k in range(3):
        with duckdb.connect(str(catalogue)) as con:
            con.execute("CREATE TABLE newer (n BIGINT)" if k == 0 else f"INSERT INTO newer VALUES ({k})")
    (folder / KNOWN).unlink(missing_ok=True)
    Store.open(folder)
    now = catalogue.stat()
    padded = older + b"\0" * (now.st_size - len(older))
    with catalogue.open("r+b") as file:
        file.write(padded[: now.st_size])
    assert (catalogue.stat().st_ino, catalogue.stat().st_size) == (now.st_ino, now.st_size)
    monkeypatch.setattr("herdbook.pipeline.store.known_newest.migrate", looked.append)
    Store.open(folder)
    assert looked == [catalogue]


def test_a_newer_step_is_taken(bench: Bench, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    Store.open(bench.store.folder)
    new = tmp_path / "9000_new.sql"
    new.write_text("CREATE TABLE newest (n BIGINT);")
    both = [*migrations.steps(), (9000, "9000_new", new)]
    monkeypatch.setattr(migrations, "steps", lambda: both)
    monkeypatch.setattr("herdbook.pipeline.store.known_newest.steps", lambda: both)
    Store.open(bench.store.folder)
    with duckdb.connect(str(bench.store.catalogue), read_only=True) as con:
        assert con.execute("SELECT count(*) FROM newest").fetchall() == [(0,)]


def test_what_is_kept_is_not_for_everybody(bench: Bench) -> None:
    Store.open(bench.store.folder)
    assert (bench.store.folder / KNOWN).stat().st_mode & 0o007 == 0
    (bench.store.folder / KNOWN).write_bytes(b"\xff")
    Store.open(bench.store.folder)
