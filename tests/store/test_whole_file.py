"""Files for people: whole or not at all, and no draft is left for good."""

from __future__ import annotations

import os
from pathlib import Path

import polars as pl
import pytest

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.store.whole_file import LEFT_S, whole


def test_a_draft_that_was_left_goes_with_the_next_writing(tmp_path: Path) -> None:
    old, young = tmp_path / ".a[1].77.part.csv", tmp_path / ".a[1].78.part.csv"
    for draft, age in ((old, 2 * LEFT_S), (young, 1.0)):
        draft.write_text("half")
        os.utime(draft, (then := draft.stat().st_mtime - age, then))
    with whole(tmp_path / "a[1].csv") as draft:
        draft.write_text("whole\n")
    assert sorted(p.name for p in tmp_path.iterdir()) == [young.name, "a[1].csv"]


def test_what_a_library_says_of_a_full_disk_is_told_in_the_systems_words(tmp_path: Path) -> None:
    said = "Failed to open local file '/x/.m.part.parquet'. Detail: [errno 28] No space left on device"
    with pytest.raises(StoreError, match=r"cannot be written \(No space left on device\)\."), whole(tmp_path / "m.csv"):
        raise OSError(28, said)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
def test_a_table_for_which_there_is_no_room_is_told_so(tmp_path: Path) -> None:
    """The writer of tables raises an error of its own for it, which is none of the system's."""
    with (
        pytest.raises(StoreError, match=r"cannot be written \(No space left on device\)"),
        whole(tmp_path / "m.parquet"),
    ):
        pl.DataFrame({"a": [1]}).write_parquet("/dev/full")
    with pytest.raises(ZeroDivisionError), whole(tmp_path / "m.parquet"):
        raise ZeroDivisionError  # not the system's: passed on
