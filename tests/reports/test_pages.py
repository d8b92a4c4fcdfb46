"""The pages in real Chromium, from file://, without a network: they draw, obey, print, and nothing hostile runs."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pypdf
import pytest
from playwright.sync_api import Browser

from herdbook.pipeline.reports import write_fleet
from herdbook.pipeline.store.store import Store
from tests.reports.barriers import SCRIPT, TYPES, barriers, overflow
from tests.reports.browser import Watched, needs_chromium, opened, outside

pytestmark = [pytest.mark.browser, needs_chromium]
PAGES = ("dossier", "hostile", "hostile_history", "hostile_vehicle", "history", "fleet", "vehicle", "signals")


@pytest.mark.parametrize("name", PAGES)
def test_one_visit_shows_nothing_wrong(browser: Browser, pages: dict[str, Path], name: str) -> None:
    """One visit a page, since a visit is what costs time: no request leaves it, nothing complains, hostile texts stay
    text, it fits tablet and phone, and axe-core (which shares nothing with us) finds no barrier, light and dark."""
    wrong: dict[str, object] = {}
    with opened(browser, pages[name]) as watched:
        if watched.ask("!!document.querySelector('.plot')"):
            watched.live()
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
        watched.live()
        low, high = watched.ask(_range("life-line"))
        watched.ask("document.querySelector('#life-line .plot').scrollIntoView({block: 'center', behavior: 'instant'})")
        box = watched.page.locator("#life-line .board").bounding_box()
        assert box is not None
        mouse, y = watched.page.mouse, box["y"] + box["height"] / 2
        mouse.move(box["x"] + box["width"] * 0.3, y)
        mouse.down()
        mouse.move(box["x"] + box["width"] * 0.6, y, steps=6)
        mouse.up()
        own = watched.ask(_range("life-line"))
        shares = [(v - low) / (high - low) for v in own]  # pixels of the mouse are whole ones
        assert shares == pytest.approx([0.3, 0.6], abs=1.5 / box["width"])
        watched.wait(lambda: watched.ask(_range("heat-hottest")) == own, "the other figure to follow")
        mouse.dblclick(box["x"] + box["width"] * 0.5, y)
        watched.wait(lambda: watched.ask(_range("heat-hottest")) == [low, high], "all of it again")
        assert watched.complaints == []


def test_the_keyboard_zooms_a_figure_and_the_cursor_is_shared(browser: Browser, pages: dict[str, Path]) -> None:
    with opened(browser, pages["dossier"]) as watched:
        watched.live()
        watched.page.focus("#heat-hottest .plot")
        before = watched.ask(_range("heat-hottest"))
        watched.page.keyboard.press("+")
        watched.wait(lambda: watched.ask(_range("heat-hottest")) != before, "the figure to zoom")
        a, b = watched.ask(_range("heat-hottest"))
        assert (b - a) / (before[1] - before[0]) == pytest.approx(0.5, rel=0.01)
        watched.wait(lambda: watched.ask(_range("life-line")) == watched.ask(_range("heat-hottest")), "equal ranges")
        watched.page.keyboard.press("0")
        watched.wait(lambda: watched.ask(_range("heat-hottest")) == before, "all of it again")
        watched.page.locator("#heat-hottest .plot").scroll_into_view_if_needed()
        box = watched.page.locator("#heat-hottest .board").bounding_box()
        assert box is not None
        watched.page.mouse.move(box["x"] + 0.49 * box["width"], box["y"] + 0.3 * box["height"], steps=3)
        cursor = "document.querySelector('#life-line .cursor:not(.away)')?.getAttribute('x1')"
        watched.wait(lambda: watched.ask(cursor), "the cursor in the other figure")
        assert watched.ask("document.querySelector('#heat-hottest .cursor').getAttribute('x1')") == watched.ask(cursor)
        assert watched.complaints == []


def test_what_the_pointer_reads_is_what_the_figure_holds(browser: Browser, pages: dict[str, Path]) -> None:
    """At each mark of the first figure of braking, its own numbers are told; none is told far from all of them."""
    marks = """[...document.querySelectorAll('#brake-demand .marks > *')].slice(0, 12).map(mark => {
        const b = mark.getBoundingClientRect(); return [b.x + b.width / 2, b.y + b.height / 2]; })"""
    told = "document.querySelector('#brake-demand .readout:not([hidden])')?.textContent || ''"
    traces = "document.querySelector('#brake-demand .plot').live.traces"
    with opened(browser, pages["dossier"]) as watched:
        watched.ask("document.querySelector('#brake-demand').scrollIntoView({block: 'center', behavior: 'instant'})")
        watched.live()
        held = watched.ask(f"{traces}.flatMap(t => [...t.x].map((x, k) => [x, t.y[k]]))")
        wanted = {f"asked {x:.1f} A, came {y:.1f} A" for x, y in held}
        places = watched.ask(marks)
        assert places
        for x, y in places:
            watched.page.mouse.move(x, y)
            assert watched.ask(told).split(": ")[-1] in wanted


PIECES = "text, circle, rect:not(.band), .marks > *, .sh"
PLACES = f"""[...document.querySelectorAll('.board')].map(board => [...board.querySelectorAll('{PIECES}')]
    .filter(e => e.checkVisibility()).map(e => {{
        const b = e.getBoundingClientRect(), o = board.getBoundingClientRect();
        return [e.textContent, Math.round(b.x - o.x), Math.round(b.y - o.y), Math.round(b.width)]; }}))"""
CLOSER = """Promise.all([...document.querySelectorAll('.plot')].filter(p => p.live.moves).map(p => {
    const [a, b] = p.live.view, m = (a + b) / 2, w = (b - a) / 4; return window.herdbook.show(p, m - w, m + w); }))"""
ALL = "Promise.all([...document.querySelectorAll('.plot')].map(p => window.herdbook.show(p, null)))"


@pytest.mark.parametrize("name", ["dossier", "signals"])
def test_a_live_figure_is_the_picture_it_was(browser: Browser, pages: dict[str, Path], name: str) -> None:
    """Zoomed in and back out, every tick, mark, bar and window stands where the still picture had it."""
    with opened(browser, pages[name]) as watched:
        before = watched.ask(PLACES)
        watched.live()
        watched.ask(CLOSER)
        assert watched.ask(PLACES) != before
        watched.ask(ALL)
        for was, now in zip(before, watched.ask(PLACES), strict=True):
            assert [text for text, *_ in now] == [text for text, *_ in was]
            for a, b in zip(was, now, strict=True):
                assert a[1:] == pytest.approx(b[1:], abs=1)


def _range(figure: str) -> str:
    return f"document.querySelector('#{figure} .plot').live.view"


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


def test_the_dossier_prints_every_figure_right_after_opening(
    browser: Browser, pages: dict[str, Path], tmp_path: Path
) -> None:
    with opened(browser, pages["dossier"]) as watched:
        made = tmp_path / "dossier.pdf"
        watched.page.pdf(path=str(made), format="A4")
        feet = watched.ask("[...document.querySelectorAll('.plot .xt.ti')].map(t => t.textContent).filter(t => t)")
        watched.page.emulate_media(media="print")
        meters = watched.ask("getComputedStyle(document.querySelector('.meter i')).printColorAdjust")
    text = " ".join(" ".join(_sheets(made)).split())
    assert "VX-014 must not be used" in text
    assert len(feet) > 10
    assert {foot for foot in feet if foot not in text} == set()  # titles of axes: every figure is vector, on paper
    assert meters == "exact"  # or score bars lose their fill


def test_figures_are_there_before_any_script_runs_and_a_touch_makes_one_live(
    browser: Browser, pages: dict[str, Path]
) -> None:
    with opened(browser, pages["dossier"]) as watched:
        page = watched.page
        empty = "[...document.querySelectorAll('.plot')].filter(p => !p.querySelector('.board').getBBox().height)"
        assert watched.ask(f"{empty}.map(p => p.parentElement.id)") == []
        assert watched.ask("window.herdbook.drawn") == 0
        assert watched.worked_ms() < 2000  # of processor, for the page as a whole
        page.click("#brake-demand .plot")
        watched.wait(lambda: watched.ask("window.herdbook.drawn === 1"), "the touched figure to come alive")
        assert watched.ask("document.querySelector('#brake-sides .plot').live === undefined")  # only what was touched
        now = _range("brake-demand")
        before = watched.ask(now)
        page.click("#brake-demand button:text('Closer')")
        watched.wait(lambda: watched.ask(now) != before, "our own button to zoom")
        page.click("#brake-demand button:text('All')")
        watched.wait(lambda: watched.ask(now) == before, "the way back")


def test_the_first_finding_stands_within_two_screens_of_a_phone(browser: Browser, pages: dict[str, Path]) -> None:
    for name in ("dossier", "vehicle"):
        with opened(browser, pages[name], width=390) as watched:
            assert watched.ask("document.querySelector('.finding').getBoundingClientRect().top") < 2 * 844, name


def test_causes_and_changes_are_read_on_a_phone_without_moving_them_sideways(
    browser: Browser, pages: dict[str, Path]
) -> None:
    over = "[...document.querySelectorAll('.causes')].filter(t => t.scrollWidth > t.parentElement.clientWidth).length"
    for name in ("dossier", "fleet"):
        with opened(browser, pages[name], width=390) as watched:
            assert watched.ask("document.querySelectorAll('.causes').length") > 0, name
            assert watched.ask(over) == 0, name


MOVED = """[...document.querySelectorAll('.scroll')]
    .filter(e => e.checkVisibility() && e.scrollWidth > e.clientWidth + 1).map(e => e.getAttribute('aria-label'))"""
OPEN = "document.querySelectorAll('details').forEach(d => { d.open = true; })"
SHEET = 688  # CSS pixels between the margins of an A4 sheet


@pytest.mark.parametrize("name", ["dossier", "history", "fleet", "vehicle"])
def test_no_table_is_moved_sideways_on_a_phone_nor_cut_on_paper(
    browser: Browser, pages: dict[str, Path], name: str
) -> None:
    """With everything unfolded. Chromium shrinks a whole print whose content is wider than the sheet, so that one cut
    table makes every page small."""
    with opened(browser, pages[name], width=390) as watched:
        watched.ask(OPEN)
        assert watched.ask(MOVED) == []
        watched.page.emulate_media(media="print")
        watched.page.set_viewport_size({"width": SHEET, "height": 1000})
        assert watched.ask(MOVED) == []
        assert watched.ask("document.documentElement.scrollWidth - innerWidth") <= 0


def test_the_dossier_has_few_stops_of_the_tab_key(browser: Browser, pages: dict[str, Path]) -> None:
    """And the figures of a section are one of them: up and down go from one to the next."""
    stops = "[...document.querySelectorAll('a[href], button, summary, input, select, [tabindex=\"0\"]')]"
    with opened(browser, pages["dossier"]) as watched:
        watched.page.wait_for_timeout(100)  # tables that fit lose their stop once they are laid out
        assert watched.ask(f"{stops}.filter(e => e.tabIndex >= 0 && e.checkVisibility()).length") < 60
        watched.page.focus("#heat .plot")
        watched.page.keyboard.press("n")
        assert watched.ask("document.querySelector('#heat .plot').parentElement.querySelector('details').open")
        watched.page.keyboard.press("ArrowDown")
        assert watched.ask("document.activeElement !== document.querySelector('#heat .plot')")
        assert watched.ask("document.activeElement.matches('#heat .plot')")
        assert watched.ask("window.herdbook.drawn") == 0  # to walk past starts nothing


def test_a_phone_gets_the_findings_and_folds_what_follows(
    browser: Browser, pages: dict[str, Path], tmp_path: Path
) -> None:
    stops = "[...document.querySelectorAll('a[href], button, summary, input, select, [tabindex=\"0\"]')]"
    with opened(browser, pages["dossier"], width=390) as watched:
        page = watched.page
        page.wait_for_timeout(100)
        assert watched.ask("document.documentElement.scrollHeight") < 16 * 844
        assert watched.ask(f"{stops}.filter(e => e.tabIndex >= 0 && e.checkVisibility()).length") < 60
        assert not page.is_visible("#heat .plot")
        page.click("a[href='#heat']")  # the list of leaves opens the one it leads to
        assert page.is_visible("#heat .plot")
        assert not page.is_visible("#peers .lead")
        made = tmp_path / "phone.pdf"
        page.pdf(path=str(made), format="A4")
        assert "each dot a vehicle" in " ".join(" ".join(_sheets(made)).split())  # paper shows what is folded
        assert not page.is_visible("#peers .lead")


def test_panels_keep_their_height_on_a_phone(browser: Browser, pages: dict[str, Path]) -> None:
    tall = "[...document.querySelectorAll('.board')].map(b => b.getBoundingClientRect().height)"
    with opened(browser, pages["dossier"]) as wide, opened(browser, pages["dossier"], width=390) as phone:
        phone.ask("document.querySelectorAll('details.fold').forEach(fold => { fold.open = true; })")
        assert wide.ask(tall) == phone.ask(tall)


def test_dossiers_of_a_site_are_light_and_whole(browser: Browser, store: Store, tmp_path: Path) -> None:
    """Each carries all it needs; no drawing library lies beside or in it."""
    site = write_fleet(store, tmp_path / "site", dossiers=["stop-use", "service", "note"]).parent / "dossiers"
    dossiers = list(site.glob("*.html"))
    assert list(site.glob("*.js")) == []
    assert len(dossiers) > 1
    assert all(path.stat().st_size < 800_000 for path in dossiers)
    with opened(browser, site / "VX-014.html") as watched:
        watched.live()
        assert watched.ask("window.herdbook.drawn") > 10
        assert outside(watched) == []
        assert watched.complaints == []


def test_a_page_without_the_decoder_keeps_its_pictures(browser: Browser, pages: dict[str, Path]) -> None:
    """A browser too old to unpack the numbers keeps pictures, words and tables."""
    context = browser.new_context(offline=True)
    context.add_init_script("delete window.DecompressionStream")
    page = context.new_page()
    page.goto(pages["dossier"].as_uri())
    watched = Watched(page)
    first = "#evidence-" + _first_evidence(page)
    page.click(f"{first} .plot")
    watched.wait(lambda: page.evaluate("!!window.herdbook.error"), "the page to notice")
    assert "the picture stays as it is" in page.inner_text(f"{first} .zoomed")
    assert page.is_visible(f"{first} .board")
    context.close()


def _first_evidence(page: object) -> str:
    return str(page.evaluate("document.querySelector('[id^=evidence-]').id.slice(9)"))  # type: ignore[attr-defined]
