"""Nights over a real store without Prefect: change lists, messages remembered in the catalogue, backfill."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from herdbook.flows.request import Request
from herdbook.flows.without_prefect import bounds, run_plain
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.night.message_log import MessageLog
from herdbook.pipeline.night.messages import notify
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.settings import NightSettings
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.store import Store
from tests.flows.rides import write_ride
from tests.flows.same import assert_same

SETTINGS = NightSettings(workers=1)


def quiet(*_: object) -> None:
    return


@pytest.fixture
def hook() -> Iterator[tuple[str, list[bytes]]]:
    got: list[bytes] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            return

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}/hook", got
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def copy(plain: Path, tmp_path: Path) -> Path:
    """A store after its first night, to go on with."""
    return Path(shutil.copytree(plain, tmp_path / "store"))


def test_the_first_night_sees_every_vehicle_first(plain: Path) -> None:
    night = last_night(Store.open(plain))
    assert night is not None
    first = [c.vehicle for c in night.changes if c.change == "first seen"]
    assert first == ["ZB-0001", "ZB-0002", "ZB-0003"]
    assert (night.logs_new, night.vehicles) == (9, 3)


def test_one_message_a_night_is_kept_in_the_catalogue(copy: Path, hook: tuple[str, list[bytes]]) -> None:
    url, got = hook
    store = Store.open(copy)
    night = last_night(store)
    assert night is not None
    states = [notify(night, [url], MessageLog(store), 0)[0].state for _ in range(3)]
    assert states == ["sent", "already sent", "already sent"]
    assert len(got) == 1
    with transaction(store.catalogue) as con:
        kept = con.execute("SELECT target, state, tries FROM messages").fetchall()
        con.execute("UPDATE messages SET state = 'sending'")  # as if killed between the POST and the note
    assert kept == [(kept[0][0], "sent", 1)]
    assert url not in str(kept)
    assert notify(night, [url], MessageLog(store), 0)[0].state == "sent"
    assert b"may have arrived" in got[1]


def test_a_new_log_brings_its_own_news_only(copy: Path, tmp_path: Path) -> None:
    write_ride(tmp_path / "more", 3, 3)
    result = run_plain(Request("night", str(tmp_path / "more"), str(copy), SETTINGS), quiet)
    assert result["numbers"]["logs_new"] == 1
    assert {row[2] for row in result["rows"]} <= {"ZB-0003"}


def test_a_backfill_finds_the_same_again(copy: Path, plain: Path) -> None:
    """Nothing changed in rules or profiles, so doing everything again must change nothing."""
    result = run_plain(Request("backfill", "", str(copy), SETTINGS), quiet)
    assert result["numbers"]["vehicles"] == 3, result["failed"]
    assert result["changes"] == []
    assert "inbox" not in result, "it looked into none, and says nothing of one"
    assert_same(copy, plain)


def test_a_backfill_of_one_day_touches_only_who_rode_then(copy: Path, plain: Path) -> None:
    request = Request(
        "backfill", "", str(copy), SETTINGS, since="2026-03-03", until="2026-03-03", vehicles=("ZB-0002",)
    )
    assert run_plain(request, quiet)["numbers"]["vehicles"] == 1
    assert_same(copy, plain)
    none = Request("backfill", "", str(copy), SETTINGS, since="2027-01-01")
    assert run_plain(none, quiet)["numbers"]["vehicles"] == 0


def test_a_day_that_is_none_is_named() -> None:
    with pytest.raises(SettingsError, match="yesterday"):
        bounds(Request("backfill", "", "", SETTINGS, since="yesterday"))
