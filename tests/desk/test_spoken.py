"""Every page as a screen reader speaks it: nothing without a name, tables with heads, figures in words, news aloud."""

from __future__ import annotations

from collections import Counter

import pytest
from playwright.sync_api import Browser

from herdbook.pipeline.desk.serve import Listening
from tests.desk.browsing import Visit, visiting
from tests.desk.speech import CONTROLS, name, nodes, role, spoken, states
from tests.desk.test_browser import PAGES
from tests.reports.browser import needs_chromium

pytestmark = [pytest.mark.browser, needs_chromium]
WITH_TABLES = ("fleet", "vehicle", "window", "ask", "history")


def shown(visit: Visit, page: str) -> None:
    visit.go(PAGES.get(page, page))
    if page == "window":
        visit.drawn()
    elif page == "scatter":
        visit.wait(lambda: visit.ask("document.getElementById('scatter').dataset.ready"), "the figure")
    elif page == "ask":
        visit.wait(lambda: "brake" in visit.text("#answer"), "rows")


@pytest.mark.parametrize("page", [*PAGES, "/vehicle?v=ZB-9999"])
def test_nothing_is_without_a_name(browser: Browser, at_desk: Listening, page: str) -> None:
    with visiting(browser, at_desk) as visit:
        shown(visit, page)
        for details in visit.page.locator("details").all():
            details.evaluate("d => { d.open = true }")
        found = nodes(visit.page)
        of = [(role(n), name(n)) for n in found]
        assert [
            kind for kind, said in of if kind in {*CONTROLS, "image", "table", "region", "heading"} and not said
        ] == []
        assert next(said for kind, said in of if kind == "heading")
        assert ("link", "Skip to the content") in of[:3]
        buttons = Counter(said for kind, said in of if kind in ("button", "DisclosureTriangle"))
        twice = [said for said, n in buttons.items() if n > 1 and not said.startswith(("Copy as ", "Causes"))]
        assert twice == []  # each says what it acts on
        live = [n for n in found if states(n).get("live")]
        assert live or page == "no window"
        assert not [n for n in live if " s" in name(n) and name(n)[:1].isdigit()]  # no clock that ticks aloud


@pytest.mark.parametrize("page", WITH_TABLES)
def test_tables_have_heads(browser: Browser, at_desk: Listening, page: str) -> None:
    with visiting(browser, at_desk) as visit:
        shown(visit, page)
        kinds = Counter(role(n) for n in nodes(visit.page))
        assert kinds["columnheader"] >= 2 * kinds["table"] > 0
        assert page == "ask" or kinds["rowheader"] > 0


@pytest.mark.parametrize("page", ["vehicle", "batch", "scatter", "window"])
def test_a_figure_says_what_is_drawn(browser: Browser, at_desk: Listening, page: str) -> None:
    with visiting(browser, at_desk) as visit:
        shown(visit, page)
        said = [name(n) for n in nodes(visit.page) if role(n) == "image"]
    words = {
        "vehicle": ("Measured 1.16 s, limit 0.200 s", "of 100"),
        "batch": (),  # too few vehicles for a strip in this store
        "scatter": (" pairs in ", "none is left out", "pack_current", " A, "),
        "window": ("Regen current in A", "Europe/Vienna", " samples; ", "ap", "The values stand in the table below"),
    }[page]
    assert [w for w in words if not any(w in one for one in said)] == []


def test_what_changes_is_said_aloud(browser: Browser, at_desk: Listening) -> None:
    """By the buttons alone, as somebody who hears the page uses it."""
    with visiting(browser, at_desk) as visit:
        shown(visit, "window")
        before = _live(visit)
        visit.page.get_by_role("button", name="Closer").click()
        visit.wait(lambda: _live(visit) != before, "the new stretch to be said")
        visit.page.get_by_role("button", name="Line later").click()
        visit.wait(lambda: any("Regen current" in said for said in _live(visit)), "the values at the line")
        visit.page.get_by_role("button", name="Mark here").click()
        visit.wait(lambda: any("Marked from here" in said for said in _live(visit)), "the mark")


def test_what_is_not_taken_is_an_alert(browser: Browser, at_desk: Listening) -> None:
    with visiting(browser, at_desk) as visit:
        visit.go("/ask?sql=SELEC")
        visit.wait(lambda: any(role(n) == "alert" for n in nodes(visit.page)), "the alert")
        assert "alert" in " ".join(spoken(visit.page))


def test_a_vehicle_is_read_in_the_order_in_which_it_matters(browser: Browser, at_desk: Listening) -> None:
    with visiting(browser, at_desk) as visit:
        shown(visit, "vehicle")
        text = "\n".join(spoken(visit.page))
    order = ("heading 'ZB-0105'", "heading 'Verdict'", "must not be used", "heading 'Findings'", "image 'Measured")
    then = ("heading 'Before you touch it'", "heading 'Scores'", "heading 'Service book'", "heading 'Sessions'")
    places = [text.index(words) for words in (*order, *then)]
    assert places == sorted(places)


def _live(visit: Visit) -> list[str]:
    """What stands in regions that are read aloud when they change."""
    return [str(e.inner_text()) for e in visit.page.locator("[role=status], [role=alert]").all()]
