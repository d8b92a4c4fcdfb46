"""Figures of a page as files: gauges, scores and strips as SVG and PNG, with what they say written in."""

from __future__ import annotations

import struct
import xml.etree.ElementTree

import pytest
from playwright.sync_api import Browser

from herdbook.pipeline.desk.serve import Listening
from tests.desk.browsing import Visit, visiting
from tests.reports.browser import needs_chromium

pytestmark = [pytest.mark.browser, needs_chromium]


def taken(visit: Visit, name: str) -> bytes:
    with visit.page.expect_download() as download:
        visit.page.get_by_role("button", name=name).click()
    return download.value.path().read_bytes()


GAUGE = "Measured against the limit, Electric brake drops out while braking"
SCORES = "Scores by subsystem"
WORDS = {
    GAUGE: ["ZB-0105: Electric brake drops out while braking", "Measured 1.16 s, limit 0.200 s"],
    SCORES: ["ZB-0105: scores by subsystem, 0 to 100", "braking, 13", "pack, not assessed"],
}


@pytest.mark.parametrize("name", [GAUGE, SCORES])
def test_a_gauge_and_the_scores_are_taken_as_files(browser: Browser, at_desk: Listening, name: str) -> None:
    with visiting(browser, at_desk) as visit:
        visit.go("/vehicle?v=ZB-0105")
        drawn = xml.etree.ElementTree.fromstring(taken(visit, f"{name}, as SVG"))
        picture = taken(visit, f"{name}, as PNG")
        assert visit.complaints == []
    texts = [t.text for t in drawn.iter("{http://www.w3.org/2000/svg}text")]
    assert [w for w in WORDS[name] if w not in texts] == []
    bars = [r for r in drawn.iter("{http://www.w3.org/2000/svg}rect") if r.get("fill", "none") not in ("none", "")]
    assert len(bars) > 1  # the paper, and what is drawn on it
    assert all("var(" not in (e.get("fill") or "") + (e.get("stroke") or "") for e in drawn.iter())
    assert picture.startswith(b"\x89PNG")
    width, height = struct.unpack(">II", picture[16:24])
    assert (width, height) == (2 * int(drawn.get("width", "0")), 2 * int(drawn.get("height", "0")))
