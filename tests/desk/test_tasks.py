"""The four users' tasks, each from the first page to its answer, in a real browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from herdbook.pipeline.book import book
from herdbook.pipeline.desk.serve import Listening
from herdbook.pipeline.reports import verify_history
from herdbook.pipeline.store.store import Store
from tests.desk.browsing import Visit, visiting
from tests.desk.conftest import copied, served
from tests.reports.browser import needs_chromium

pytestmark = [pytest.mark.browser, needs_chromium]


@pytest.fixture(scope="module")
def own(scanned_once: Store, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Listening]:
    with served(copied(scanned_once, tmp_path_factory.mktemp("tasks"))) as listening:
        yield listening


@pytest.fixture
def visit(browser: Browser, own: Listening) -> Iterator[Visit]:
    with visiting(browser, own) as found:
        yield found
        assert found.complaints == []
        assert found.strangers == []


def row(visit: Visit, name: str) -> list[str]:
    """A line of the table of values: signal, unit, samples, lowest, highest, at the line."""
    cells = visit.page.locator("#values tbody tr", has_text=name).first.locator("th, td")
    return [str(text) for text in cells.all_inner_texts()]


def test_why_did_this_brake_fail(visit: Visit) -> None:
    """Keys alone, from the list of the fleet to the sample at which the brake let go while it was asked for."""
    visit.key("n")  # the gravest vehicle
    visit.follow()
    assert "ZB-0105" in visit.page.url
    visit.key("n")  # the worst window of its finding
    visit.follow()
    visit.drawn()
    assert visit.ask("document.activeElement.id") == "figure"
    assert float(row(visit, "Regen demand")[4]) > 20  # asked for
    visit.key("+")  # around the begin of the finding
    visit.drawn()
    found = ""
    for _ in range(4):  # a tenth of what is shown at a time
        visit.key("ArrowDown")
        found = visit.text("#values tbody")
        demand, current = float(row(visit, "Regen demand")[5]), float(row(visit, "Regen current")[5])
        if demand > 5 and current == 0:
            break
    else:
        pytest.fail(f"the deciding sample was not reached: {found}")
    assert visit.actions < 10
    assert "every one is drawn" in visit.text("#said")


def test_is_this_unit_like_its_batch(visit: Visit) -> None:
    visit.go("/vehicle?v=ZB-0105")
    visit.click("text=Beside its batch")
    text = visit.text("main")
    assert "beside batch 2025-11 A" in text
    assert "Electric brake drops out while braking" in text
    assert "1 of 2" in text  # of its batch, itself counted
    visit.go(
        "/window?v=ZB-0105&b=ZB-0106&s=regen_current&s=regen_demand&at=2026-03-20T11:12:34.253300Z&bt=2026-03-09T06:13:18.859740Z&from=2026-03-20T11:12:29Z&to=2026-03-20T11:12:42Z"
    )
    visit.drawn()
    values = visit.text("#values")
    assert "ZB-0105: Regen demand" in values
    assert "ZB-0106: Regen demand" in values


def test_what_is_open_this_morning_and_what_did_i_do_about_it(visit: Visit, own: Listening) -> None:
    visit.go("/night")
    assert "nobody has acknowledged it" in visit.text("#open")
    visit.key("n")
    visit.follow()
    assert visit.page.locator("select[name=kind]").input_value() == "acknowledged"
    assert visit.page.locator("select[name=about]").input_value() == "regen_dropout\n"
    visit.type("textarea[name=said]", "Rider called, vehicle stays in.")
    visit.click("text=Enter into the service book")
    visit.wait(lambda: "Nobody is named" in visit.text("form[data-keep]"), "the name to be asked for")
    assert visit.page.locator("textarea[name=said]").input_value() == "Rider called, vehicle stays in."
    visit.complaints.clear()  # the browser says that the answer was a refusal
    visit.type("input[name=by]", "Night desk")
    visit.click("text=Enter into the service book")
    visit.wait(lambda: "Rider called" in visit.text("#book ul"), "the entry to stand in the book", 60)
    visit.go("/night")
    assert "Acknowledged by Night desk" in visit.text("#open").replace("acknowledged", "Acknowledged")
    with own.desk.store.read() as con:
        assert [e.made_by for e in book.entries(con)] == ["Night desk"]


def test_show_the_customer_what_the_history_rests_on(visit: Visit, own: Listening, tmp_path: Path) -> None:
    visit.go("/vehicle?v=ZB-0105")
    visit.click("text=Its history")
    line = visit.page.locator("tr", has_text="let go while it was asked for").first
    line.locator("summary").first.click()
    basis = line.inner_text()
    assert "Rule “Electric brake drops out while braking”" in basis
    assert "SHA-256" in basis
    assert ".parquet" in basis
    line.locator("text=Its signals").click()
    visit.drawn()
    assert "regen_current" in visit.text("#chips")
    visit.page.go_back()
    visit.type("main input[name=by]", "Warranty desk")
    with visit.page.expect_download() as download:
        visit.click("text=Take the signed file")
    path = tmp_path / "history.html"
    download.value.save_as(path)
    assert verify_history(own.desk.store, path).ok
    assert "Warranty desk" in path.read_text("utf-8")
