"""The register in real Chromium: its state stands in the address, the keyboard reaches the search, the page prints;
and the night's page meets what axe-core asks of it."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pypdf
import pytest
from playwright.sync_api import Browser

from herdbook.pipeline.reports import write_fleet
from herdbook.pipeline.store.store import Store
from tests.reports.barriers import SCRIPT, barriers, overflow
from tests.reports.browser import Watched, needs_chromium, opened, outside
from tests.reports.made_up import T0, Catalogue

pytestmark = [pytest.mark.browser, needs_chromium]


@pytest.fixture(scope="module")
def site(store: Store, tmp_path_factory: pytest.TempPathFactory, made_up_lake: None) -> Path:
    return write_fleet(store, tmp_path_factory.mktemp("site")).parent


def shown(watched: Watched) -> tuple[str, str, str]:
    """Address, how many vehicles, and the first of them."""
    page = watched.page
    return page.evaluate("location.hash"), page.inner_text("#count"), page.inner_text("#book tbody tr th")


def test_search_filter_and_order_stand_in_the_address_and_come_back(browser: Browser, site: Path) -> None:
    with opened(browser, site / "index.html") as watched:
        page = watched.page
        page.click("button[data-key=n]")
        page.click("button[data-key=n]")
        page.fill("#find", "vx")
        watched.wait(lambda: "find=vx" in page.evaluate("location.hash"), "the address to follow")
        kept = shown(watched)
        assert kept == ("#register?find=vx&sort=-n", "3 of 4 vehicles", "VX-016")
        page.goto("about:blank")
        page.goto(f"{(site / 'index.html').as_uri()}{kept[0]}")
        assert shown(watched) == kept
        assert page.input_value("#find") == "vx"
        assert page.get_attribute("th:has(button[data-key=n])", "aria-sort") == "descending"
        page.fill("#find", "")
        page.select_option("#only", "silent")
        watched.wait(lambda: shown(watched)[1] == "1 of 4 vehicles", "the filter")
        assert shown(watched)[0] == "#register?only=silent&sort=-n"
        page.evaluate("location.hash = '#register?only=0'")  # a link from the night's page
        watched.wait(lambda: shown(watched)[2] == "VX-014", "the link to be obeyed")
        assert watched.complaints == []


@pytest.mark.parametrize(
    "hostile",
    ["sort=constructor", "sort=%22%5D", "only=%3Cscript%3E", "page=-9", "page=99999", "find=%3Cimg%20src%3Dx%3E"],
)
def test_a_senseless_address_does_no_harm(browser: Browser, site: Path, hostile: str) -> None:
    with opened(browser, site / "index.html") as watched:
        watched.page.goto("about:blank")
        watched.page.goto(f"{(site / 'index.html').as_uri()}#register?{hostile}")
        assert watched.ask("window.herdbook.ready")
        assert watched.ask("document.querySelectorAll('#register img, #register script').length") == 0
        assert watched.complaints == []


def test_a_slash_goes_to_the_search_and_is_not_typed(browser: Browser, site: Path) -> None:
    with opened(browser, site / "index.html") as watched:
        watched.page.keyboard.press("/")
        assert watched.page.evaluate("document.activeElement.id") == "find"
        watched.page.keyboard.type("a/b")
        assert watched.page.input_value("#find") == "a/b"


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["index", "night"])
def test_the_pages_print(browser: Browser, site: Path, tmp_path: Path, paper: str, name: str) -> None:
    """Read back with pypdf: nothing folded away or cut off at the right."""
    with opened(browser, site / f"{name}.html") as watched:
        watched.page.pdf(path=str(tmp_path / "page.pdf"), format=paper)
    text = "".join("".join(p.extract_text() for p in pypdf.PdfReader(tmp_path / "page.pdf").pages).split())
    expected = {
        "index": ("Mustnotbeused", "VX-014", "Quarantine", "broken.blf"),
        "night": ("Whereeachquestion", "Room", "Fingerprint"),
    }
    for words in expected[name]:
        assert words in text


def test_the_night_s_page_has_no_barrier(browser: Browser, site: Path) -> None:
    """axe-core, which shares nothing with us; tablet and phone width; no request, no complaint."""
    wrong: dict[str, object] = {}
    with opened(browser, site / "night.html") as watched:
        if SCRIPT.exists():
            wrong |= barriers(watched)
        wrong |= overflow(watched)
        wrong["requests"], wrong["complaints"] = outside(watched), watched.complaints
    assert {what: found for what, found in wrong.items() if found} == {}


@pytest.mark.parametrize("width", [1440, 1280, 1024, 800, 390])
def test_the_register_keeps_all_its_columns(browser: Browser, site: Path, width: int) -> None:
    """On every screen each cell of each row stands whole within the page."""
    cut = """[...document.querySelectorAll('#book tbody tr > *')].filter(cell => {
        const box = cell.getBoundingClientRect();
        return box.right > innerWidth || box.left < 0 || cell.scrollWidth > cell.clientWidth + 1; }).length"""
    with opened(browser, site / "index.html", width=width) as watched:
        assert watched.ask("document.querySelectorAll('#book tbody tr:first-child > *').length") == 15
        assert watched.ask(cut) == 0
        scroll = "(s => s.scrollWidth <= s.clientWidth + 1)(document.querySelector('#book').closest('.scroll'))"
        assert watched.ask(scroll)


def test_age_counts_from_the_day_of_the_scan(browser: Browser, site: Path, store: Store) -> None:
    with store.read() as con:
        [(day,)] = con.execute("SELECT max(started_t) FROM scans").fetchall()
    with opened(browser, site / "index.html") as watched:
        cells = watched.ask("[...document.querySelectorAll('#book tbody tr:first-child > *')].map(c => c.textContent)")
    assert cells[0] == "VX-014"
    assert cells[-1] == f"{(day.date() - date.fromisoformat(cells[-2])).days} d"


def test_a_record_of_the_day_after_the_scan_is_no_age_below_nought(browser: Browser, tmp_path: Path) -> None:
    """A logger's clock may run a day ahead. The day that ages count to is written beside them."""
    made = Catalogue(tmp_path)
    made.vehicle("AA-1", last_t=T0 + timedelta(hours=23))
    made.add("scans", scan="one", started_t=T0, state="complete")
    index = write_fleet(made.close(), tmp_path / "site")
    with opened(browser, index) as watched:
        assert watched.ask("document.querySelector('#book tbody tr > :last-child').textContent") == "0 d"
        assert f"to the newest scan, {T0:%Y-%m-%d}." in watched.page.inner_text("#register .lead")


def test_the_rows_are_one_stop_of_the_tab_key(browser: Browser, site: Path) -> None:
    stops = "[...document.querySelectorAll('#book a, #book button')].filter(e => e.tabIndex >= 0).length"
    with opened(browser, site / "index.html") as watched:
        page, at = watched.page, "document.activeElement.textContent"
        assert watched.ask(stops) == 2
        page.focus("#book tbody a")
        second = watched.ask("document.querySelectorAll('#book tbody a')[1].textContent")
        page.keyboard.press("ArrowDown")
        assert watched.ask(at) == second
        page.focus("#book thead button")
        page.keyboard.press("ArrowRight")
        assert watched.ask(at) == "Batch"
        page.keyboard.press("Enter")
        assert page.get_attribute("th:has(button[data-key=b])", "aria-sort") == "ascending"
        assert watched.ask(stops) == 2


def test_the_register_prints_as_a_table_with_all_its_columns(browser: Browser, site: Path) -> None:
    with opened(browser, site / "index.html", width=718) as watched:  # A4 upright, less its margins
        watched.page.emulate_media(media="print")
        assert watched.ask("getComputedStyle(document.querySelector('#book tbody tr')).display") == "table-row"
        scroll = "(s => s.scrollWidth <= s.clientWidth + 1)(document.querySelector('#book').closest('.scroll'))"
        assert watched.ask(scroll)
