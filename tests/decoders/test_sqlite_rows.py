"""Database logs that lost pages: every row that is left is given, none that never was, and what is missing is told."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from herdbook.decoders import LogFormatError, Loss, open_log
from tests.decoders.peers import Seen, frames_in

ROWS = 5000
PAGE = 1024
MARK = 0x5A5A_A5A5_0000_0000


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A table as python-can makes it, written by SQLite itself; three levels of pages."""
    path = tmp_path_factory.mktemp("db") / "sound.db"
    with sqlite3.connect(path) as con:
        con.execute(f"PRAGMA page_size = {PAGE}")
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
@pytest.mark.parametrize("more", [0, 1, PAGE - 1])
def test_of_a_file_cut_short_the_rows_on_whole_pages_are_kept(
    sound: Path,
    tmp_path: Path,
    share: float,
    more: int,
) -> None:
    content = sound.read_bytes()
    pages = int(share * len(content)) // PAGE
    path = tmp_path / "cut.db"
    path.write_bytes(content[: pages * PAGE + more])
    frames, losses = read(path)
    found = numbers(frames)
    assert found == list(range(len(found)))
    assert len(found) > 0.9 * ROWS * pages * PAGE / len(content) - 100
    (loss,) = losses
    assert (loss.kind, loss.offset, loss.offset + loss.bytes) == ("cut", pages * PAGE, len(content))


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
