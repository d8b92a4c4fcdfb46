"""Every page in Chromium: no complaint, nothing asked of elsewhere, no barrier, and what happens when things fail."""

from __future__ import annotations

import re
from contextlib import ExitStack
from urllib.parse import quote

import pytest
from playwright.sync_api import Browser

from herdbook.pipeline.desk.serve import Listening
from herdbook.pipeline.store.store import Store
from tests.desk.browsing import visiting
from tests.desk.conftest import served
from tests.reports.barriers import SCRIPT, barriers
from tests.reports.browser import needs_chromium
from tests.reports.made_up import HOSTILE

pytestmark = [pytest.mark.browser, needs_chromium]
STRETCH = "from=2026-03-20T11:12:29Z&to=2026-03-20T11:12:42Z"
WINDOW = f"/window?v=ZB-0105&s=regen_current&s=cell_voltage&s=regen_state&{STRETCH}"
PAGES = {
    "fleet": "/fleet",
    "vehicle": "/vehicle?v=ZB-0105",
    "night": "/night",
    "window": WINDOW,
    "no window": "/window",
    "batch": "/batch?v=ZB-0105",
    "scatter": f"/scatter?v=ZB-0105&x=pack_current&y=pack_voltage&{STRETCH}",
    "ask": "/ask?sql=SELECT%20vehicle,%20title%20FROM%20findings",
    "history": "/history?v=ZB-0105",
}


@pytest.mark.parametrize("name", PAGES)
def test_no_page_has_a_barrier_or_asks_anything_of_elsewhere(browser: Browser, at_desk: Listening, name: str) -> None:
    with visiting(browser, at_desk) as visit:
        visit.go(PAGES[name])
        if name == "window":
            visit.drawn()
        elif name == "scatter":
            visit.wait(lambda: visit.ask("document.getElementById('scatter').dataset.ready"), "the figure")
        elif name == "ask":
            visit.wait(lambda: "regen_dropout" in visit.text("#answer") or "brake" in visit.text("#answer"), "rows")
        for details in visit.page.locator("details").all()[:6]:
            details.evaluate("d => { d.open = true }")
        assert visit.complaints == []
        assert visit.strangers == []
        found = barriers(visit) if SCRIPT.exists() else {}
        for width in (768, 360):
            visit.page.set_viewport_size({"width": width, "height": 800})
            found[f"overflow at {width}"] = visit.ask("Math.max(0, document.documentElement.scrollWidth - innerWidth)")
        assert {key: value for key, value in found.items() if value} == {}


def test_hostile_names_stay_text_in_every_page(browser: Browser, made_up_once: Store) -> None:
    with served(made_up_once) as listening, visiting(browser, listening) as visit:
        for path in (
            "/fleet",
            "/vehicle?v={}",
            "/night",
            "/window?v={}",
            "/batch?v={}",
            "/history?v={}",
            "/ask?sql={}",
        ):
            visit.go(path.format(quote(HOSTILE)))
            visit.page.wait_for_timeout(200)
            assert visit.ask("document.querySelectorAll('main script, main img, main iframe').length") == 0
        assert not [c for c in visit.complaints if "exception" in c or "Content Security" in c]
        assert visit.strangers == []


def test_a_zoom_keeps_its_address_and_the_way_back(browser: Browser, at_desk: Listening) -> None:
    with visiting(browser, at_desk) as visit:
        visit.go(WINDOW)
        visit.drawn()
        visit.page.locator("#figure").focus()
        first = visit.page.url
        visit.page.wait_for_timeout(950)  # what comes at once is one step of the way back
        visit.key("+")
        visit.wait(lambda: visit.ask("location.href") != first, "another address")
        visit.drawn()
        zoomed = visit.page.url
        with visiting(browser, at_desk) as other:  # sent to somebody else
            other.page.goto(zoomed)
            other.drawn()
            assert other.text("#said") == visit.text("#said")
        visit.page.go_back()
        visit.wait(lambda: visit.ask("location.href") == first, "the first address")
        for _ in range(14):
            visit.key("+")
        visit.drawn()
        span = visit.ask(
            "(p => Date.parse(p.get('to')) - Date.parse(p.get('from')))(new URLSearchParams(location.search))"
        )
        assert span <= 2
        assert visit.complaints == []


def test_what_was_not_recorded_is_no_line(browser: Browser, at_desk: Listening) -> None:
    with visiting(browser, at_desk) as visit:
        visit.go("/window?v=ZB-0105&s=pack_current&from=2026-03-01T00:00:00Z&to=2026-03-30T00:00:00Z")
        visit.drawn()
        with visit.page.expect_download() as download:
            visit.click("#svg")
        svg = download.value.path().read_text("utf-8")
        drawn = re.findall(r'<path d="([^"]+)"', svg)
        assert max(path.count("M") for path in drawn) == 4  # four logs, the pen lifted between them
        assert "a gap is time that was not recorded" in svg
        assert "<script" not in svg
        with visit.page.expect_download() as picture:
            visit.click("#png")
        assert picture.value.path().read_bytes().startswith(b"\x89PNG")
        visit.go("/window?v=ZB-0105&s=pack_current&from=2026-03-10T00:00:00Z&to=2026-03-11T00:00:00Z")
        visit.drawn()
        assert "nothing was recorded" in visit.text("#said")


def test_a_killed_desk_is_told_and_the_note_goes_in_when_it_is_back(browser: Browser, scanned: Store) -> None:
    with ExitStack() as alive, ExitStack() as all_along:
        first = alive.enter_context(served(scanned))
        visit = all_along.enter_context(visiting(browser, first))
        visit.go(WINDOW)
        visit.drawn()
        alive.close()
        visit.type("textarea[name=said]", "Typed while it was away.")
        visit.type("input[name=by]", "Bench 4")
        visit.click("text=Enter into the service book")
        visit.wait(lambda: "does not answer" in visit.text("form[data-keep]"), "to be told")
        assert visit.page.locator("textarea[name=said]").input_value() == "Typed while it was away."
        all_along.enter_context(served(scanned, first.port))
        visit.click("text=Enter into the service book")
        visit.wait(lambda: "Entered as no. 1" in visit.text("#state"), "the entry", 60)
        assert visit.page.locator("textarea[name=said]").input_value() == ""
        visit.go("/vehicle?v=ZB-0105")
        assert "Typed while it was away." in visit.text("#book")


def test_a_long_question_shows_its_progress_and_is_stopped(browser: Browser, at_desk: Listening) -> None:
    """While it runs, another reader's page is answered."""
    long = "SELECT sum(a.range * b.range % 7) FROM range(400000000) a, range(40) b"
    with visiting(browser, at_desk) as visit:
        visit.go("/ask")
        visit.type("#sql", long)
        visit.click("#asking button.primary")
        visit.wait(lambda: visit.page.locator("#stop").is_visible(), "the button that stops it")
        with visiting(browser, at_desk) as other:
            other.go("/fleet")
            assert "ZB-0105" in other.text("main")
        visit.click("#stop")
        visit.wait(lambda: "was ended" in visit.text("#wrong"), "to be told that it was stopped", 60)
        assert visit.ask("document.getElementById('sql').value") == long


def test_the_address_of_every_table_is_given_three_ways(browser: Browser, at_desk: Listening) -> None:
    with visiting(browser, at_desk) as visit:
        visit.go("/fleet")
        visit.page.locator(".copies summary").click()
        texts = visit.page.locator(".copies code").all_inner_texts()
        assert len(texts) == 3
        assert texts[0].startswith("herdbook query ")
        assert "import herdbook" in texts[2]
        assert "SELECT" in texts[1]


def test_a_history_is_stopped_and_its_file_taken(
    browser: Browser, at_desk: Listening, monkeypatch: pytest.MonkeyPatch
) -> None:
    from herdbook.pipeline.desk import history
    from herdbook.pipeline.desk.asked import step
    from herdbook.pipeline.reports.history.write import write_history

    def slow(*given: object, **more: object) -> None:
        while True:
            step(3, 9, "steps on the way")

    with visiting(browser, at_desk) as visit:
        visit.go("/history?v=ZB-0105")
        monkeypatch.setattr(history, "write_history", slow)
        visit.click("text=Take the signed file")
        visit.wait(lambda: "3 of 9 steps on the way" in visit.text("#busy"), "to be told how far it is", 60)
        visit.click("#busy button")
        visit.wait(lambda: not visit.page.locator("#busy").is_visible(), "the question to be gone")
        assert visit.text("#state") == "Stopped."
        monkeypatch.setattr(history, "write_history", write_history)
        with visit.page.expect_download(timeout=60_000) as download:
            visit.click("text=Take the signed file")
        assert download.value.suggested_filename == "history-ZB-0105.html"
        assert visit.strangers == []


def test_a_unit_is_laid_beside_another_where_both_were_recorded(browser: Browser, at_desk: Listening) -> None:
    with visiting(browser, at_desk) as visit:
        visit.go("/window?v=ZB-0105&b=ZB-0106")
        visit.drawn()
        assert "&bt=" in visit.page.url
        values = visit.text("#values")
        assert "ZB-0105: Pack current" in values
        assert "ZB-0106: Pack current" in values
        visit.page.locator("#ways summary").click()
        visit.wait(lambda: visit.ask("document.getElementById('ways').dataset.ready"), "the copies")
        texts = visit.page.locator("#ways code").all_inner_texts()
        assert ["ZB-0105" in t for t in texts] == [True] * 3 + [False] * 3
        assert all("ZB-0106" in t for t in texts[3:])
