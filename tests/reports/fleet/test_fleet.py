"""The fleet site: all linked and present, nothing rewritten in vain, small and quick at ten thousand vehicles."""

from __future__ import annotations

import json
import re
import time
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest

from herdbook.pipeline.health.severity import SUBSYSTEMS
from herdbook.pipeline.reports import write_fleet
from herdbook.pipeline.reports.drawing.distribution import spreads
from herdbook.pipeline.reports.fleet.register import coded_trail
from herdbook.pipeline.reports.page.html import file_name
from herdbook.pipeline.store.store import Store
from tests.reports.browser import chromium, needs_chromium, opened, outside
from tests.reports.made_up import HOSTILE, T0, Catalogue
from tests.reports.many import ten_thousand


class Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value for key, value in attrs if key in ("href", "src") and value]


def links(path: Path) -> list[str]:
    parser = Links()
    parser.feed(path.read_text("utf-8"))
    return parser.found


def test_every_link_is_relative_and_leads_somewhere(store: Store, out: Path) -> None:
    index = write_fleet(store, out)
    pages = [index, *sorted((out / "vehicles").glob("*.html"))]
    assert len(pages) == 5
    for page in pages:
        for link in links(page):
            if not link.startswith("#"):
                assert not re.match(r"[a-z]+:|/", link), link
                assert (page.parent / unquote(link)).resolve().is_file(), link


def test_a_second_run_rewrites_no_vehicle_page(store: Store, out: Path) -> None:
    write_fleet(store, out)
    before = {p: p.stat().st_mtime_ns for p in (out / "vehicles").iterdir()}
    write_fleet(store, out)
    assert {p: p.stat().st_mtime_ns for p in (out / "vehicles").iterdir()} == before


def test_a_vehicles_page_names_rules_and_figures_in_words(tmp_path: Path) -> None:
    book = Catalogue(tmp_path)
    book.vehicle("VX-030")
    rules = [{"id": "regen_one_sided", "title": "Electric brake one-sided", "subsystem": "braking"}]
    book.add("rule_sets", rule_set="r" * 64, made_t=T0, rules=json.dumps(rules), version="0.1.0")
    reason = "not in the record: braking_sided_count (no session had enough of it)"
    book.add("not_assessed", vehicle="VX-030", rule="regen_one_sided", subsystem="braking", reason=reason)
    text = (write_fleet(book.close(), tmp_path / "site").parent / "vehicles" / "VX-030.html").read_text("utf-8")
    said = "braking, “Electric brake one-sided”: no session on record shows enough of braking events with both motors"
    assert said in text
    assert "braking_sided_count" not in text
    assert "regen one sided" not in text


def test_dossiers_come_along_and_are_rewritten_only_when_needed(store: Store, out: Path) -> None:
    write_fleet(store, out, dossiers=("stop-use",))
    written = out / "dossiers" / "VX-014.html"
    assert [p.name for p in (out / "dossiers").glob("*.html")] == ["VX-014.html"]
    assert "../dossiers/VX-014.html" in links(out / "vehicles" / "VX-014.html")
    before = written.stat().st_mtime_ns
    write_fleet(store, out, dossiers=("stop-use",))
    assert written.stat().st_mtime_ns == before
    written.write_text(
        written.read_text("utf-8").replace('name="fingerprint" content="', 'name="fingerprint" content="0')
    )
    write_fleet(store, out, dossiers=("stop-use",))
    assert written.stat().st_mtime_ns > before


def test_stop_use_change_list_quarantine_and_silence_are_on_the_page(store: Store, out: Path) -> None:
    text = write_fleet(store, out).read_text("utf-8")
    stop, changed = text.index('id="stop"'), text.index('id="changes"')
    assert "VX-014" in text[stop:changed]
    assert "nine of ten gaps" in text[changed:]
    assert "broken.blf" in text
    assert "no safety system" in text


def test_a_vehicle_that_tries_to_leave_the_folder_stays_in_it(tmp_path: Path) -> None:
    book = Catalogue(tmp_path)
    for name in ("../../etc/passwd", "..", "a/b", "con\x00sole", "Ünïcode 7", "x" * 300, HOSTILE):
        book.vehicle(name)
    site = tmp_path / "out" / "site"
    write_fleet(book.close(), site)
    assert len(list((site / "vehicles").iterdir())) == 7
    assert {p.name for p in (tmp_path / "out").iterdir()} == {"site"}


def test_names_that_look_alike_get_files_of_their_own() -> None:
    names = ["a b", "a_b", "a/b", "a.b", "A B", "a  b"]
    assert len({file_name(n) for n in names}) == len(names)
    assert file_name("ZB-0105") == "ZB-0105"


def test_bands_count_every_vehicle_once() -> None:
    scores = [None, 0.0, 49.9, 50.0, 79.9, 80.0, 94.9, 95.0, 100.0]
    herd = [{"batch": "B", "firmware": ""} | dict.fromkeys(SUBSYSTEMS, s) for s in scores]
    assert spreads(herd) == []  # of one batch and one firmware: one bar compares nothing
    herd.append({"batch": "C", "firmware": ""} | dict.fromkeys(SUBSYSTEMS, 70.0))
    bar = spreads(herd)[0].bars[0]
    assert bar.counts == (2, 2, 2, 2, 1)
    assert bar.n == sum(bar.counts)


def test_a_subsystem_that_is_good_everywhere_is_not_drawn() -> None:
    herd = [
        {"batch": batch, "firmware": ""} | dict.fromkeys(SUBSYSTEMS, 100.0) | {"pack": s}
        for batch, s in (("B", 40.0), ("C", 100.0))
    ]
    assert {s.subsystem for s in spreads(herd)} == {"pack"}


def test_a_trail_keeps_order_ends_and_holes() -> None:
    assert coded_trail([0.0, 1.0, None, 2.0, -9.0], 0.0, 1.0) == "0z.z0"
    assert coded_trail([None, None, 0.5], 0.0, 1.0) == "i"  # what was not assessed yet takes no room
    assert coded_trail([], 0.0, 1.0) == ""


@pytest.fixture(scope="module")
def herd(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return ten_thousand(tmp_path_factory.mktemp("herd"))


@pytest.mark.slow
@pytest.mark.browser
@needs_chromium
def test_ten_thousand_vehicles_are_small_and_quick(herd: Store, tmp_path: Path, record_property: object) -> None:
    """Under 3 MB; a second of work from being opened to being interactive, a third of one to sort all of it."""
    start = time.monotonic()
    index = write_fleet(herd, tmp_path)
    wrote = time.monotonic() - start
    size = index.stat().st_size
    with chromium() as browser, opened(browser, index) as watched:
        ready = watched.worked_ms()
        watched.ask("document.querySelector('button[data-key=m1]').click()")
        sorted_ms = watched.worked_ms() - ready
        assert "10000 of 10000" in watched.page.inner_text("#count")
        watched.page.fill("#find", "vx-0999 b-24")
        watched.wait(lambda: watched.page.inner_text("#count") == "10 of 10000 vehicles", "the search")
        assert outside(watched) == []
        assert watched.complaints == []
    print(
        f"\n10,000 vehicles: {size / 1e6:.2f} MB, written in {wrote:.1f} s, ready after {ready:.0f} ms of work, "
        f"sorted in {sorted_ms:.0f} ms"
    )
    assert size < 3e6
    assert ready < 1000
    assert sorted_ms < 300
