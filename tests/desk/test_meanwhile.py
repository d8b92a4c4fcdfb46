"""What happens beside open pages: a real night that takes in logs, a second desk, a full disk, a preparation."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from herdbook.pipeline.book import book
from herdbook.pipeline.desk import lines
from herdbook.pipeline.desk.levels import Levels
from herdbook.pipeline.desk.prepare import prepare
from herdbook.pipeline.store.store import Store
from tests.desk.conftest import FLEET, served, stranger, visitor

JSON = {"accept": "application/json"}
DAY = {"from": "2026-03-01T00:00:00Z", "to": "2026-04-01T00:00:00Z"}
PAGES = ("/fleet", "/night", "/vehicle?v=ZB-0105", "/batch?v=ZB-0105", "/history?v=ZB-0105", "/window?v=ZB-0105")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own, with room for the store and little more."""
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=256m", "none", str(folder)]
    if subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("no right to mount a tmpfs: the full disk is not tested here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def drawn(browser: httpx.Client, vehicle: str) -> dict[str, Any]:
    given = {"v": vehicle, "s": "pack_current", **DAY}
    found: dict[str, Any] = browser.get("/window/data", params=given, headers=JSON).json()
    return found


def test_a_real_night_while_pages_are_asked(scanned: Store, tmp_path: Path) -> None:
    """Every page is answered all the time, and shows the new logs once the night is closed."""
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    for log in FLEET.glob("ZB-0101*"):
        shutil.copy(log, inbox)
    command = [sys.executable, "-m", "herdbook.flows.cli", "scan", str(inbox), "--store", str(scanned.folder)]
    codes: dict[str, set[int]] = {}
    wrong: list[str] = []
    over = threading.Event()
    with served(scanned) as listening, visitor(listening) as browser:
        assert "ZB-0101" not in browser.get("/fleet").text
        assert drawn(browser, "ZB-0101")["lines"] == []

        def reader(paths: tuple[str, ...]) -> None:
            with visitor(listening) as own:
                while not over.is_set():
                    for path in paths:
                        said = own.get(path)
                        codes.setdefault(path, set()).add(said.status_code)
                        if said.status_code != 200:
                            wrong.append(f"{path}: {said.text[-400:]}")
                    found = drawn(own, "ZB-0105")
                    if not found.get("lines") and not found.get("left"):
                        wrong.append(str(found)[:400])

        readers = [threading.Thread(target=reader, args=(some,)) for some in (PAGES[:3], PAGES[3:])]
        for one in readers:
            one.start()
        night = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
        over.set()
        for one in readers:
            one.join(60)
        assert night.returncode in (0, 10, 20), night.stderr
        assert wrong == []
        assert codes == {path: {200} for path in PAGES}
        assert "ZB-0101" in browser.get("/fleet").text
        for _ in range(600):
            if not (found := drawn(browser, "ZB-0101"))["left"]:
                break
        assert found["lines"][0]["n"] > 100


def test_two_desks_on_one_machine_keep_their_users_apart(scanned: Store) -> None:
    with served(scanned) as one, served(scanned) as other:
        with stranger(one, follow=True) as browser:
            assert browser.get(one.address).status_code == 200
            assert browser.get(other.root + "fleet").status_code == 403
            assert browser.get(other.address).status_code == 200
            assert [browser.get(d.root + "fleet").status_code for d in (one, other)] == [200, 200]
        with visitor(other) as browser:
            said = {"v": "ZB-0105", "by": "Second desk", "said": "Seen."}
            assert browser.post("/note", data=said, headers=JSON).status_code == 200
        with visitor(one) as browser:
            assert "Second desk" in browser.get("/vehicle?v=ZB-0105").text


def test_a_disk_that_is_full_is_told_and_the_note_goes_in_when_there_is_room(
    scanned_once: Store, small_disk: Path
) -> None:
    shutil.copytree(scanned_once.folder, small_disk / "store")
    store, filler = Store.open(small_disk / "store"), small_disk / "filler"
    note = {"v": "ZB-0105", "by": "Workshop 2", "said": "Let go twice. " + "x" * 1500}
    with served(store) as listening, visitor(listening) as browser:
        assert browser.get("/vehicle?v=ZB-0105").status_code == 200
        lost, kept = 0, 0
        for free in (0, 8, 64, 400):  # kilobytes: it runs out in different places
            filler.unlink(missing_ok=True)
            room = os.statvfs(small_disk)
            filler.write_bytes(b"x" * max(0, room.f_bavail * room.f_frsize - free * 1024))
            said = browser.post("/note", data=note | {"said": f"{note['said']} {free}"})
            assert said.status_code in (200, 409), said.text[-500:]
            if said.status_code == 409:
                entered = "it is entered in the service book, but no page shows it yet" in said.text
                lost, kept = lost + (not entered), kept + entered
                assert "What you typed stands below." in said.text
                assert "Let go twice." in said.text
                assert "full" in said.text or "No space" in said.text
            assert browser.get("/vehicle?v=ZB-0105").status_code == 200  # readers go on
        assert lost + kept
        filler.unlink()
        assert browser.post("/note", data=note, headers=JSON).status_code == 200
        with listening.desk.store.read() as con:
            assert [e.made_by for e in book.entries(con)].count("Workshop 2") == 5 - lost


def test_what_was_prepared_is_drawn_at_once(scanned: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[tuple[int, int, str]] = []
    first = prepare(scanned, lambda *far: told.append(far))
    assert first.pieces > 0
    assert (first.failed, first.there, first.left) == (0, 0, 0)
    assert [far[1] for far in told] == [2, 2]
    again = prepare(scanned, lambda *_: None)
    assert (again.pieces, again.there) == (0, first.pieces)
    assert "were there" in again.words
    monkeypatch.setattr(lines, "EVERY", 0)
    with served(scanned) as listening, visitor(listening) as browser:
        found = drawn(browser, "ZB-0105")
        assert (found["left"], found["jobs"]) == (0, 0)
        assert found["lines"][0]["n"] > 1000


def test_a_preparation_stops_where_older_pieces_would_go_and_tells_what_it_cannot_read(scanned: Store) -> None:
    folder = scanned.folder / "desk" / "levels"
    full = prepare(scanned, lambda *_: None, Levels(folder, folder, most=100))
    assert full.left == 1
    assert "The room is used up: 1 vehicle left" in full.words
    shutil.rmtree(folder)
    part = next(scanned.lake.root.rglob("*.parquet"))
    part.chmod(0o640)
    whole = bytearray(part.read_bytes())
    whole[len(whole) // 2] ^= 1
    part.write_bytes(whole)
    damaged = prepare(scanned, lambda *_: None)
    assert damaged.failed > 0
    assert damaged.pieces > 0
    assert "damaged" in damaged.why
