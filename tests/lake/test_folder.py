"""A lake in a folder: marked as a store's own, gone when its disk is, and no way out of it by a part's name."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.lake.folder import FolderLake
from herdbook.pipeline.lake.open import lake_of
from herdbook.pipeline.lake.place import MARK, OWN, Lake, inside, own_mark, writing


@pytest.fixture
def store(tmp_path: Path) -> Path:
    (tmp_path / "store").mkdir()
    return tmp_path / "store"


def test_a_lake_in_the_store_is_its_own_wherever_the_store_goes(store: Path) -> None:
    lake = FolderLake(store / "lake", store)
    lake.begin()
    lake.check()
    assert not (store / OWN).exists()
    moved = store.rename(store.parent / "moved")
    FolderLake(moved / "lake", moved).check()


def test_a_lake_elsewhere_is_marked_and_belongs_to_one_store(store: Path, tmp_path: Path) -> None:
    lake = FolderLake(tmp_path / "disk", store)
    lake.begin()
    lake.begin()  # begun already
    mark = (tmp_path / "disk" / MARK).read_text()
    assert mark == own_mark(store) != ""
    other = tmp_path / "other"
    other.mkdir()
    with pytest.raises(StoreError, match="belongs to another store"):
        FolderLake(tmp_path / "disk", other).begin()
    assert (tmp_path / "disk" / MARK).read_text() == mark


@pytest.mark.parametrize("left", ["nothing", "an empty folder", "a mark that is no text"])
def test_a_lake_whose_disk_is_not_mounted_is_gone(store: Path, tmp_path: Path, left: str) -> None:
    lake = FolderLake(tmp_path / "disk", store)
    if left != "nothing":
        (tmp_path / "disk").mkdir()
    if "mark" in left:
        (tmp_path / "disk" / MARK).write_bytes(b"\xff\xfe")
    with pytest.raises(StoreError, match="the lake is gone"):
        lake.check()


def test_parts_come_by_name_and_what_grows_is_none(store: Path) -> None:
    lake = FolderLake(store / "lake", store)
    lake.begin()
    for part in ("b/x.parquet", "a/y.parquet"):
        with lake.adding(part) as path:
            path.parent.mkdir()
            path.write_bytes(part.encode())
    lake.scratch.mkdir()
    (lake.scratch / "half.parquet").write_bytes(b"half")
    (lake.root / "notes.txt").write_bytes(b"not ours")
    assert [(p.part, p.size) for p in lake.parts()] == [("a/y.parquet", 11), ("b/x.parquet", 11)]
    assert lake.hash_of("a/y.parquet") != lake.hash_of("b/x.parquet")
    lake.delete("a/y.parquet")
    lake.delete("a/y.parquet")
    assert lake.hash_of("a/y.parquet") is None
    assert not lake.restore("a/y.parquet", "")
    assert lake.trouble() is None


@pytest.mark.parametrize("name", ["../x.parquet", "/x.parquet", "a/../../x.parquet", "", "a\\x.parquet", "x\0.parquet"])
def test_names_that_lead_out_are_refused(store: Path, name: str) -> None:
    lake = FolderLake(store / "lake", store)
    for ask in (inside, lake.open, lake.hash_of, lake.delete, lake.address):
        with pytest.raises(StoreError, match="leads out of the lake"):
            ask(name)
    assert inside("a/b.parquet") == "a/b.parquet"


def test_errors_of_writing_are_the_lakes_and_say_whether_it_is_gone(store: Path) -> None:
    lake: Lake = FolderLake(store / "lake", store)
    lake.begin()
    with pytest.raises(StoreError, match="cannot be written") as caught, writing(lake):
        raise OSError(28, "No space left on device")
    assert "No space left on device" in str(caught.value)

    def unmounted() -> None:
        with writing(lake):
            (lake.root / MARK).unlink()
            raise OSError(5, "Input/output error")

    with pytest.raises(StoreError, match="the lake is gone"):
        unmounted()
    lake.begin()
    with pytest.raises(ValueError, match="not ours"), writing(lake):
        raise ValueError("not ours")


def test_one_lake_for_all_of_a_process(store: Path, tmp_path: Path) -> None:
    lake_of.cache_clear()
    assert lake_of(store, "", 1.0) is lake_of(store, "", 1.0)
    assert lake_of(store, "", 1.0).root == store / "lake"
    assert lake_of(store, "../disk", 1.0).root == store / "../disk"
    assert lake_of(store, f"file://{tmp_path}/a%20b", 1.0).root == tmp_path / "a b"
    assert [lake_of(store, where, 1.0).far for where in ("", "../disk", "memory://x")] == [False, False, True]
    lake_of.cache_clear()


@pytest.mark.parametrize("lake", [".", "..", "../../", "link"])
def test_a_lake_holds_neither_the_store_nor_its_key(tmp_path: Path, lake: str) -> None:
    """A query may read what lies in the lake."""
    store = tmp_path / "a" / "store"
    store.mkdir(parents=True)
    (tmp_path / "a" / "link").symlink_to(tmp_path)
    root = tmp_path / "a" / "link" if lake == "link" else store / lake
    for ask in (FolderLake(root, store).begin, FolderLake(root, store).check):
        with pytest.raises(StoreError, match="store's own folder, or holds it"):
            ask()
    assert not list(tmp_path.rglob(MARK))
