"""Notes and what was done: into the service book and nowhere else; what cannot be written is told, and kept."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx
import pytest

from herdbook.pipeline.book import book, stop_use
from herdbook.pipeline.desk.serve import Listening
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.store.store import Store
from tests.desk.conftest import served, visitor
from tests.reports.made_up import HOSTILE

JSON = {"accept": "application/json"}
STRETCH = {
    "from": "2026-03-20T11:12:34.253300Z",
    "to": "2026-03-20T11:12:37.433600Z",
    "signals": "regen_current regen_demand",
}


def held(store: Store) -> list[Any]:
    with store.read() as con:
        return [e for e in book.entries(con) if e.holds]


def sent(browser: httpx.Client, **fields: str) -> httpx.Response:
    return browser.post(
        "/note", data={"v": "ZB-0105", "by": "Workshop 2", "said": "Let go twice.", **fields}, headers=JSON
    )


def test_a_note_on_a_stretch_leads_back_to_it(scanned: Store) -> None:
    with served(scanned) as listening, visitor(listening) as browser:
        said = sent(browser, kind="note", **STRETCH)
        assert said.status_code == 200, said.text
        [entry] = held(scanned)
        assert (entry.vehicle, entry.kind, entry.made_by, entry.source) == ("ZB-0105", "note", "Workshop 2", "typed")
        assert entry.said.startswith("Let go twice. Signals regen_current, regen_demand from 2026-03-20T11:12:34")
        assert entry.when == "2026-03-20 12:12"  # in the vehicle's zone
        page = browser.get("/vehicle?v=ZB-0105").text
        assert "Let go twice." in page
        assert "mark=2026-03-20T11%3A12%3A34.253300Z%2F2026-03-20T11%3A12%3A37.433600Z" in page


def test_a_stop_use_finding_is_acknowledged_inspected_and_closed(scanned: Store) -> None:
    about = "regen_dropout\n"
    with served(scanned) as listening, visitor(listening) as browser:
        for kind, outcome, state in (
            ("acknowledged", "", "acknowledged"),
            ("inspection", "confirmed", "confirmed"),
            ("repair", "", "closed"),
        ):
            assert sent(browser, kind=kind, outcome=outcome, about=about).status_code == 200
            with scanned.read() as con:
                assert stop_use.matters(con)[0].state == state
        assert "No stop-use finding is open" in browser.get("/night").text


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"by": "  "}, "nobody is named"),
        ({"said": ""}, "needs some words"),
        ({"kind": "inspection", "about": "regen_dropout\n"}, "an outcome too"),
        ({"kind": "poem"}, "no kind of entry"),
        ({"v": "ZB-9999"}, "ZB-9999"),
        ({"about": "no_such_rule\n", "kind": "acknowledged"}, "no_such_rule"),
        ({"said": "x" * 5000}, "more than 2000 characters"),
    ],
)
def test_what_the_book_refuses_is_told(
    wires: httpx.Client, scanned_once: Store, fields: dict[str, str], words: str
) -> None:
    said = sent(wires, **fields)
    assert said.status_code in (400, 404)
    assert words in said.json()["what"] + said.json()["do"]
    assert held(scanned_once) == []


def test_a_busy_store_and_a_full_disk_are_told_and_the_text_stays(
    scanned: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    with served(scanned) as listening, visitor(listening) as browser:
        with scanned.lock("a night"):
            busy = sent(browser)
            assert busy.status_code == 503
            assert "in use by a night" in busy.json()["what"]
            plain = browser.post("/note", data={"v": "ZB-0105", "by": "Workshop 2", "said": "Let go twice."})
            assert plain.status_code == 409  # without a script the page itself brings the text back
            assert ">Let go twice.</textarea>" in plain.text
            assert "in use by a night" in plain.text

        def full(path: Path, *_: object) -> None:
            raise StoreError("the disk is full", path, "Make room and run again; what was committed stays")

        monkeypatch.setattr("herdbook.pipeline.book.book.insert", full)
        assert "the disk is full" in sent(browser).json()["what"]
        monkeypatch.undo()
        assert held(scanned) == []
        assert sent(browser).status_code == 200
        assert len(held(scanned)) == 1


def test_hostile_words_are_words(scanned: Store) -> None:
    with served(scanned) as listening, visitor(listening) as browser:
        name = "".join(c for c in HOSTILE if c.isprintable())[:90]
        assert sent(browser, by=name, said=name).status_code == 200
        page = browser.get("/vehicle?v=ZB-0105").text
        assert name not in page  # only as text, its signs written out
        assert "&lt;" in page


def test_a_note_by_another_page_is_not_taken(scanned: Store) -> None:
    with served(scanned) as listening, visitor(listening) as browser:
        del browser.headers["x-desk-mark"]
        assert sent(browser).status_code == 403
        assert sent(browser, mark=_mark(listening)[:-1] + "x").status_code == 403
        assert held(scanned) == []
        assert sent(browser, mark=_mark(listening)).status_code == 200


def _mark(listening: Listening) -> str:
    return listening.desk.doors.mark
