"""Database logs that lost pages: every row that is left is given, none that never was, and what is missing is told."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from herdbook.decoders import LogFormatError, Loss, open_log
from tests.decoders.peers import Seen, frames_in

ROWS = 5000
PAGE = 1024  # three levels of pages
MARK = 0x5A5A_A5A5_0000_0000


def made(path: Path, page: int) -> Path:
    """A table as python-can makes it, written by SQLite itself."""
    with sqlite3.connect(path) as con:
        con.execute(f"PRAGMA page_size = {page}")
        con.execute(
            "CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, "
            "error INTEGER, dlc INTEGER, data BLOB)"
        )
        con.executemany(
            "INSERT INTO messages VALUES (?, ?, 0, 0, 0, 8, ?)",
            [(1.7e9 + i / 1000, i % 2048, (MARK + i).to_bytes(8, "big")) for i in range(ROWS)],
        )
    con.close()
    return path


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made(tmp_path_factory.mktemp("db") / "sound.db", PAGE)


def read(path: Path) -> tuple[list[Seen], list[Loss]]:
    log = open_log(path)
    return frames_in(log), log.losses


def numbers(frames: list[Seen]) -> list[int]:
    return [int.from_bytes(f[10], "big") - MARK for f in frames]


def test_a_sound_file_is_whole(sound: Path) -> None:
    frames, losses = read(sound)
    assert numbers(frames) == list(range(ROWS))
    assert losses == []


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 0.99])
@pytest.mark.parametrize("more", [0, 1, 4095])
def test_of_a_file_cut_short_the_rows_on_whole_pages_are_kept(tmp_path: Path, share: float, more: int) -> None:
    """Two levels of pages, as files of a few megabytes have."""
    page = 4096
    content = made(tmp_path / "sound.db", page).read_bytes()
    pages = int(share * len(content)) // page
    path = tmp_path / "cut.db"
    path.write_bytes(content[: pages * page + more])
    frames, losses = read(path)
    found = numbers(frames)
    assert found == list(range(len(found)))
    assert len(found) > 0.9 * ROWS * (pages - 2) * page / len(content)
    (loss,) = losses
    assert (loss.kind, loss.offset, loss.offset + loss.bytes) == ("cut", pages * page, len(content))


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9])
def test_what_a_cut_takes_of_a_tree_of_more_levels_is_told(sound: Path, tmp_path: Path, share: float) -> None:
    """The top of the tree was moved up when it grew a level: without the page it lies on now, no row is found."""
    content = sound.read_bytes()
    path = tmp_path / "cut.db"
    path.write_bytes(content[: int(share * len(content))])
    frames, losses = read(path)
    found = numbers(frames)
    assert found == list(range(len(found)))
    assert losses[0].kind == "cut"
    assert losses[0].offset + losses[0].bytes == len(content)
    if not found:
        assert "nothing in it can be read" in losses[1].detail
    assert bool(found) == (share == 0.9)


@pytest.mark.parametrize("damage", [bytes(PAGE), b"\xff" * PAGE])
def test_rows_behind_a_damaged_page_are_read(sound: Path, tmp_path: Path, damage: bytes) -> None:
    content = bytearray(sound.read_bytes())
    wanted = (MARK + 2500).to_bytes(8, "big")
    page = content.index(wanted) // PAGE
    lost = [i for i in range(ROWS) if (MARK + i).to_bytes(8, "big") in content[page * PAGE : (page + 1) * PAGE]]
    content[page * PAGE : (page + 1) * PAGE] = damage
    path = tmp_path / "hole.db"
    path.write_bytes(content)
    frames, losses = read(path)
    assert numbers(frames) == [i for i in range(ROWS) if i not in lost]
    (loss,) = losses
    assert (loss.kind, loss.bytes) == ("record", len(lost))
    assert f"go on at {lost[-1] + 2}" in loss.detail  # rows count from 1


def test_a_file_without_its_first_page_is_refused(sound: Path, tmp_path: Path) -> None:
    path = tmp_path / "cut.db"
    path.write_bytes(sound.read_bytes()[:50])
    with pytest.raises(LogFormatError, match=r"cut\.db: the database header is cut short"):
        open_log(path)
