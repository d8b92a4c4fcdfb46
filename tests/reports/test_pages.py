"""The pages in real Chromium, from file://, without a network: they draw, obey, print, and nothing hostile runs."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pypdf
import pytest
from playwright.sync_api import Browser

from tests.reports.barriers import SCRIPT, TYPES, barriers, overflow
from tests.reports.browser import Watched, needs_chromium, opened, outside

pytestmark = [pytest.mark.browser, needs_chromium]
PAGES = ("dossier", "hostile", "hostile_history", "hostile_vehicle", "history", "fleet", "vehicle", "signals")


@pytest.mark.parametrize("name", PAGES)
def test_one_visit_shows_nothing_wrong(browser: Browser, pages: dict[str, Path], name: str) -> None:
    """One visit a page, since a visit is what costs time: no request leaves it, nothing complains, hostile texts stay
    text, it fits tablet and phone, and axe-core (which shares nothing with us) finds no barrier, light and dark.
    plotly's own drawing is left out of that last check: its numbers stand in a table beside it."""
    wrong: dict[str, object] = {}
    with opened(browser, pages[name]) as watched:
        if watched.ask("!!document.querySelector('.plot')"):
            watched.drawn()
        if SCRIPT.exists() and not name.startswith("hostile"):  # built as the others
            wrong |= barriers(watched)
        wrong |= overflow(watched)
        wrong["ran"] = watched.ask("window.pwned || null")
        wrong["strangers"] = watched.ask(
            "document.querySelectorAll('main img, iframe, [onerror], main script:not([type])').length"
        )
        wrong["unseen characters"] = watched.ask("/[\\u202a-\\u202e]/.test(document.body.innerText)")
        wrong["requests"] = outside(watched)
        wrong["complaints"] = watched.complaints
    assert {what: found for what, found in wrong.items() if found} == {}


@pytest.mark.skipif(SCRIPT.exists(), reason="axe-core is there")
def test_accessibility_is_checked() -> None:
    pytest.skip("axe-core is missing, pages were NOT checked for accessibility: python tests/reports/fetch_axe.py")


def test_a_figure_zooms_and_its_neighbours_follow(browser: Browser, pages: dict[str, Path]) -> None:
    with opened(browser, pages["dossier"]) as watched:
        watched.drawn()
        before = watched.ask(_range("heat-hottest"))
        watched.ask("document.querySelector('#life-line .plot').scrollIntoView({block: 'center', behavior: 'instant'})")
        box = watched.page.locator("#life-line .plot .nsewdrag").first.bounding_box()
        assert box is not None
        mouse, y = watched.page.mouse, box["y"] + box["height"] / 2
        mouse.move(box["x"] + box["width"] * 0.3, y)
        mouse.down()
        mouse.move(box["x"] + box["width"] * 0.6, y, steps=6)
        mouse.up()
        watched.wait(lambda: watched.ask(_range("heat-hottest")) != before, "the other figure to follow")
        own = watched.ask(_range("life-line"))
        watched.wait(lambda: watched.ask(_range("heat-hottest")) == watched.ask(_range("life-line")), "equal ranges")
        assert own[0] < own[1]
        assert watched.complaints == []


def test_the_keyboard_zooms_a_figure_and_the_cursor_is_shared(browser: Browser, pages: dict[str, Path]) -> None:
    with opened(browser, pages["dossier"]) as watched:
        watched.drawn()
        watched.page.focus("#heat-hottest .plot")
        before = watched.ask(_range("heat-hottest"))
        watched.page.keyboard.press("+")
        watched.wait(lambda: watched.ask(_range("heat-hottest")) != before, "the figure to zoom")
        a, b = watched.ask(_range("heat-hottest"))
        assert (b - a) / (before[1] - before[0]) == pytest.approx(0.5, rel=0.01)
        watched.wait(lambda: watched.ask(_range("life-line")) == watched.ask(_range("heat-hottest")), "equal ranges")
        watched.page.keyboard.press("0")
        watched.page.locator("#heat-hottest .plot").scroll_into_view_if_needed()
        box = watched.page.locator("#heat-hottest .plot .nsewdrag").first.bounding_box()
        assert box is not None
        watched.page.mouse.move(box["x"] + 0.49 * box["width"], box["y"] + 0.3 * box["height"], steps=3)
        cursor = "document.querySelector('#life-line .plot').layout.shapes?.some(s => s.name === 'cursor')"
        watched.wait(lambda: watched.ask(cursor), "the cursor in the other figure")
        assert watched.complaints == []


def _range(figure: str) -> str:
    return f"document.querySelector('#{figure} .plot').layout.xaxis.range.map(x => +new Date(x))"


def test_the_register_sorts_searches_and_filters(browser: Browser, pages: dict[str, Path]) -> None:
    with opened(browser, pages["fleet"]) as watched:
        page = watched.page
        first = "document.querySelector('#book tbody tr').textContent"
        assert "VX-014" in watched.ask(first)  # the gravest first
        page.click("button[data-key=m4]")
        assert "32" in watched.ask(first)
        assert page.get_attribute("th:has(button[data-key=m4])", "aria-sort") == "ascending"
        page.click("button[data-key=m0]")
        page.click("button[data-key=m0]")
        assert page.get_attribute("th:has(button[data-key=m0])", "aria-sort") == "descending"
        page.fill("#find", "vx-016")
        watched.wait(lambda: page.inner_text("#count") == "1 of 4 vehicles", "the search")
        page.fill("#find", "")
        page.select_option("#only", "0")
        watched.wait(lambda: page.inner_text("#count") == "1 of 4 vehicles", "the filter")
        page.click("#book tbody a")
        watched.wait(lambda: page.url.endswith("vehicles/VX-014.html"), "the vehicle's page")
        page.click("text=The herd")
        watched.wait(lambda: page.url.endswith("index.html"), "the way back")


def test_the_keyboard_alone_reaches_and_sorts(browser: Browser, pages: dict[str, Path]) -> None:
    with opened(browser, pages["fleet"]) as watched:
        page = watched.page
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        page.focus("button[data-key=n]")
        page.keyboard.press("Enter")
        assert page.get_attribute("th:has(button[data-key=n])", "aria-sort") == "ascending"


@pytest.mark.parametrize("style", TYPES.values(), ids=TYPES)
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_history_prints(browser: Browser, pages: dict[str, Path], tmp_path: Path, paper: str, style: str) -> None:
    """Read back with pypdf: every line and every hash is on paper, inside the page, whatever type the machine has."""
    with opened(browser, pages["history"]) as watched:
        made = tmp_path / "history.pdf"
        watched.page.add_style_tag(content=style)
        watched.page.pdf(path=str(made), format=paper)
        numbers = watched.ask("[...document.querySelectorAll('.lines td.no')].length")
    sheets = _sheets(made)
    assert "Who looked" in sheets[0]  # all that a reader in a hurry needs is on the first sheet, and nothing else
    assert "How to read this file" in sheets[1]
    text = "".join("".join(sheets).split())
    assert "Absenceofrecordsisnotevidenceofabsenceofuse" in text
    assert numbers > 8
    for hash_ in _hashes(pages["history"]):
        assert hash_ in text


def _sheets(made: Path) -> list[str]:
    """The text of each page; a type with ligatures writes fi as one character."""
    return [unicodedata.normalize("NFKC", page.extract_text()) for page in pypdf.PdfReader(made).pages]


def _hashes(path: Path) -> list[str]:
    import json
    import re

    found = re.search(r'id="history">(.*?)</script>', path.read_text("utf-8"), re.DOTALL)
    assert found is not None
    return [log["sha256"] for log in json.loads(found[1])["logs"]]


def test_the_dossier_prints_its_figures(browser: Browser, pages: dict[str, Path], tmp_path: Path) -> None:
    with opened(browser, pages["dossier"]) as watched:
        watched.drawn()
        made = tmp_path / "dossier.pdf"
        watched.page.pdf(path=str(made), format="A4")
    text = " ".join(_sheets(made))
    assert "VX-014 must not be used" in text
    assert "Demanded [A]" in text  # an axis title: the figure is vector, on paper


def test_a_page_without_the_decoder_still_says_its_numbers(browser: Browser, pages: dict[str, Path]) -> None:
    """A browser too old to unpack the drawing engine keeps the words and tables."""
    context = browser.new_context(offline=True)
    context.add_init_script("delete window.DecompressionStream")
    page = context.new_page()
    page.goto(pages["dossier"].as_uri())
    watched = Watched(page)
    watched.wait(lambda: page.evaluate("!!window.herdbook.error"), "the page to notice")
    assert "its numbers are in the table below" in page.inner_text("#evidence-" + _first_evidence(page))
    context.close()


def _first_evidence(page: object) -> str:
    return str(page.evaluate("document.querySelector('[id^=evidence-]').id.slice(9)"))  # type: ignore[attr-defined]
