"""What takes a while can be stopped: files are made first, then fetched, and what goes wrong meanwhile is told."""

from __future__ import annotations

import io
import threading
from pathlib import Path

import httpx
import pyarrow.parquet as pq
import pytest

from herdbook.pipeline.desk import history
from herdbook.pipeline.desk.asked import step
from herdbook.pipeline.desk.made import Made, Waiting
from herdbook.pipeline.store.store import Store
from tests.desk.conftest import served, visitor

JSON = {"accept": "application/json"}


@pytest.mark.parametrize(
    "path",
    ["/table/fleet?as=csv", "/table/findings?as=parquet", "/ask/file?sql=SELECT+1&as=xlsx", "/history/file?v=ZB-0105"],
)
def test_a_file_is_made_then_fetched_once(wires: httpx.Client, path: str) -> None:
    to = wires.get(path, headers=JSON).json()["to"]
    assert to.startswith("/made/")
    first = wires.get(to)
    assert (first.status_code, "attachment" in first.headers["content-disposition"]) == (200, True)
    assert len(first.content) > 0
    again = wires.get(to)
    assert again.status_code == 404
    assert "Ask for it again" in again.text


def test_the_same_file_is_given_to_who_asks_without_a_page(wires: httpx.Client) -> None:
    made = wires.get("/table/sessions?v=ZB-0105&as=parquet", headers=JSON).json()["to"]
    direct = wires.get("/table/sessions?v=ZB-0105&as=parquet")
    read = [pq.read_table(io.BytesIO(c)).to_pylist() for c in (wires.get(made).content, direct.content)]
    assert read[0] == read[1] != []


def test_a_history_that_takes_long_is_stopped_and_leaves_nothing(
    scanned: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, go = threading.Event(), threading.Event()

    def slow(_: Store, vehicle: str, path: Path, **given: object) -> None:
        path.write_text("half")
        begun.set()
        go.wait(30)

    monkeypatch.setattr(history, "write_history", slow)
    with served(scanned) as listening, visitor(listening) as browser:
        said: list[httpx.Response] = []
        ask = threading.Thread(
            target=lambda: said.append(browser.get("/history/file?v=ZB-0105&q=h1", headers=JSON, timeout=60))
        )
        ask.start()
        assert begun.wait(30)
        assert browser.get("/progress?q=h1").json()["open"]
        assert browser.get("/fleet").status_code == 200  # others go on
        assert browser.post("/stop?q=h1").json()["stopped"]
        go.set()
        ask.join(30)
        assert said[0].json()["stopped"]
        assert "somebody stopped it" in said[0].json()["what"]
        assert list(listening.desk.publications.scratch.glob("*.html")) == []


def test_a_page_that_is_put_together_is_stopped(scanned: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    begun = threading.Event()

    def slow(*_: object, **__: object) -> None:
        begun.set()
        while True:
            step(0, 0, "on the way")

    monkeypatch.setattr(history, "document_of", slow)
    with served(scanned) as listening, visitor(listening) as browser:
        said: list[httpx.Response] = []
        ask = threading.Thread(target=lambda: said.append(browser.get("/history?v=ZB-0105&q=h2", timeout=60)))
        ask.start()
        assert begun.wait(30)
        browser.post("/stop?q=h2")
        ask.join(30)
        assert "was ended: somebody stopped it" in said[0].text


def test_files_that_nobody_fetches_do_not_pile_up(tmp_path: Path) -> None:
    waiting, names = Waiting(most=3), []
    for i in range(5):
        path = tmp_path / f"{i}.csv"
        path.write_text("x")
        names.append(waiting.keep(Made(path, path.name, "text/csv")))
    kept = tmp_path / "kept.html"
    kept.write_text("x")
    waiting.keep(Made(kept, kept.name, "text/html", stays=True))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["3.csv", "4.csv", "kept.html"]
    assert waiting.take(names[0]) is None
    for i in range(4):
        waiting.keep(Made(tmp_path / f"n{i}", "n", "text/csv"))
    assert kept.exists()  # it is not the desk's own
