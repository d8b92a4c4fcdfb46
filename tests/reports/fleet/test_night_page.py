"""What a night operator asks, found on the pages: each question leads somewhere; what is said is what was put in."""

from __future__ import annotations

import re
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest

from herdbook.pipeline.reports import write_dossier, write_fleet
from herdbook.pipeline.reports.fleet.finding_svg import kept
from herdbook.pipeline.reports.fleet.night_page import QUESTIONS
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import utc_now
from tests.reports.conftest import fill
from tests.reports.made_up import HOSTILE, T0, Catalogue, window

NOW = utc_now()


def roll_out(book: Catalogue) -> None:
    """Forty vehicles; twelve got firmware 5.0, and eleven of those have a new finding. One drifts, one stands empty."""
    for i in range(40):
        name = f"RO-{i:02d}"
        book.vehicle(name, batch=f"B-{i % 4}")
        fresh = i < 12
        book.add(
            "installs",
            vehicle=name,
            component="controller_firmware",
            serial="5.0" if fresh else "4.1",
            from_t=T0 + timedelta(days=55),
            to_t=T0 + timedelta(days=60),
            known_by="bus",
        )
        if i < 11:
            book.finding(name, "link_loss", title="Remote link drops", last_t=T0 + timedelta(days=60))
            book.add(
                "finding_log",
                scan="scan-2",
                vehicle=name,
                rule="link_loss",
                item="",
                change="new",
                severity="service",
                measured=3.0,
                unit="1/h",
                statement="The link dropped.",
            )
    for i in range(12):
        book.metric("RO-30", T0 + timedelta(days=5 * i), "cell_r_ratio", 1.22 + 0.01 * i, "1", "9", 0.005)
    book.session("RO-31", T0 + timedelta(days=2), "ride", 1.0, [])
    book.metric("RO-31", T0 + timedelta(days=2), "pack_soc_end_pct", 6.0, "%")
    book.log("RO-32", T0 + timedelta(days=59), received_t=T0 + timedelta(days=60), clock_notes=["clock went back 2 h"])
    for scan, score in (("scan-1", 90.0), ("scan-2", 32.0)):
        book.add("score_log", scan=scan, vehicle="VX-014", subsystem="braking", score=score)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    book = Catalogue(tmp_path_factory.mktemp("night"))
    fill(book)
    roll_out(book)
    for number, vehicle, rule, item, by, why in (
        (1, "VX-014", "cell_resistance", "cell 7", "night desk", "cells ordered"),
        (2, HOSTILE, "x", "", HOSTILE, HOSTILE),
    ):
        book.add(
            "mutes",
            mute=number,
            vehicle=vehicle,
            rule=rule,
            item=item,
            severity="service",
            made_t=T0,
            made_by=by,
            why=why,
            until_t=NOW + timedelta(days=9),
        )
    return book.close()


@pytest.fixture(scope="module")
def site(store: Store, tmp_path_factory: pytest.TempPathFactory, made_up_lake: None) -> Path:
    folder = tmp_path_factory.mktemp("site")
    write_fleet(store, folder)
    return folder


def part(page: Path, name: str) -> str:
    """The text of one section, without markup."""
    found = re.search(rf'<section id="{name}">(.*?)</section>', page.read_text("utf-8"), re.DOTALL)
    assert found, name
    return " ".join(re.sub(r"<[^>]+>", " ", found[1]).split())


class Ids(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found |= {value for key, value in attrs if key == "id" and value}


def ids(page: Path) -> set[str]:
    parser = Ids()
    parser.feed(page.read_text("utf-8"))
    return parser.found


@pytest.mark.parametrize("number", range(25))
def test_each_question_leads_to_a_place_that_exists(site: Path, number: int) -> None:
    """Twenty-five questions that operators of fleets ask; every one has a section or a command."""
    assert len(QUESTIONS) == 25
    question, places = QUESTIONS[number]
    assert question in (site / "night.html").read_text("utf-8")
    for words, target in places:
        if not target:
            assert re.match(r"herdbook (quarantine|backfill|mute|dossier|store|--help)", words)
            continue
        page, _, anchor = target.partition("#")
        assert anchor.split("?")[0] in ids(site / (page or "night.html")), target


def test_one_cause_is_named(site: Path) -> None:
    said = part(site / "index.html", "shared")
    assert "Remote link drops. 11 of 11 vehicles have controller firmware 5.0" in said
    assert "in the whole herd 12 of 44" in said


def test_new_findings_are_held_against_the_usual_false_rate(site: Path) -> None:
    said = part(site / "index.html", "shared")
    assert "labelled campaign of simulated vehicles" in said
    assert "link loss 11" in said


def test_drift_and_parked_are_listed(site: Path) -> None:
    """1.22 + 0.002 a day reaches 1.4 on day 90 from T0, which is 30 May 2026."""
    assert re.search(
        r"RO-30 resistance over the median group, no\. 9 .* 2026-05-(29|30|31)", part(site / "index.html", "drift")
    )
    assert "RO-31 Parked near empty 6 % since 2026-03-03" in part(site / "index.html", "standing")


def test_what_is_muted_is_said_everywhere_and_told_nowhere(site: Path, store: Store, tmp_path: Path) -> None:
    index = site / "index.html"
    assert "VX-014 cell resistance cell 7 Service" in part(index, "muted")
    assert "night desk cells ordered" in part(index, "muted")
    assert "worse" in part(index, "muted")  # the change that was not told
    assert "cell 7" not in part(index, "changes")
    for page in (site / "vehicles" / "VX-014.html", write_dossier(store, "VX-014", tmp_path)):
        text = " ".join(re.sub(r"<[^>]+>", "", page.read_text("utf-8")).split())
        assert "Muted by night desk until" in text
    assert "<script>window.pwned" not in index.read_text("utf-8")


def test_clocks_time_and_room_are_on_the_night_s_page(site: Path) -> None:
    night = site / "night.html"
    assert "RO-32" in part(night, "came")
    assert "clock went back 2 h" in part(night, "came")
    assert "Tomorrow fits" in part(night, "run")
    assert "4 min" in part(night, "run")  # both made-up scans took four minutes
    assert "No position: no page draws or names one" in part(night, "room")
    assert re.search(r"Fingerprint of all findings, scores and refusals: [0-9a-f]{16}\b", part(night, "again"))


def test_scores_are_drawn_as_they_went(site: Path) -> None:
    assert "braking 2026-03-31: 90, 2026-05-01: 32" in part(site / "vehicles" / "VX-014.html", "course")


def test_evidence_is_drawn_once_and_kept(site: Path, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    page = site / "vehicles" / "VX-014.html"
    drawn = kept(page)
    assert len(drawn) == 2  # both of its findings have a window
    assert all(1_000 < len(s.svg) < 20_000 for s in drawn.values())
    before = page.read_text("utf-8")

    def unreachable(*_: object) -> None:
        raise AssertionError("the lake was read again")

    monkeypatch.setattr("herdbook.pipeline.lake.read.load_signals", unreachable)
    write_fleet(store, site)
    assert page.read_text("utf-8") == before


def test_evidence_that_says_something_else_is_drawn_anew(tmp_path: Path) -> None:
    book = Catalogue(tmp_path)
    fill(book)
    first = book.close()
    write_fleet(first, tmp_path / "site")
    page = tmp_path / "site" / "vehicles" / "VX-014.html"
    marks = set(kept(page))
    import duckdb

    with duckdb.connect(str(first.fleet)) as con:
        start = T0 + timedelta(days=8)
        con.execute(
            "UPDATE findings SET windows = ? WHERE vehicle = 'VX-014' AND severity = 'stop-use'", [[window(start, 3)]]
        )
    write_fleet(first, tmp_path / "site")
    assert set(kept(page)) != marks


def test_a_night_without_news_rewrites_no_vehicle_page(tmp_path: Path) -> None:
    """So that copying the site moves little: a further scan that changed nothing leaves the pages as they are."""
    import duckdb

    book = Catalogue(tmp_path)
    fill(book)
    made = book.close()
    write_fleet(made, tmp_path / "site")
    before = {p: p.stat().st_mtime_ns for p in (tmp_path / "site" / "vehicles").iterdir()}
    with duckdb.connect(str(made.fleet)) as con:
        con.execute("INSERT INTO scans SELECT * REPLACE ('scan-3' AS scan) FROM scans WHERE scan = 'scan-2'")
        con.execute("INSERT INTO nights SELECT 'scan-3', 'scan-3', as_of FROM nights WHERE scan = 'scan-2'")
    write_fleet(made, tmp_path / "site")
    assert {p: p.stat().st_mtime_ns for p in (tmp_path / "site" / "vehicles").iterdir()} == before


def test_what_was_not_drawn_in_time_is_drawn_the_next_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = Catalogue(tmp_path)
    fill(book)
    made = book.close()
    page = tmp_path / "site" / "vehicles" / "VX-014.html"
    with monkeypatch.context() as patch:
        patch.setattr("herdbook.pipeline.reports.fleet.vehicle_page.MOST_PAGES", 0)
        write_fleet(made, tmp_path / "site")
    assert kept(page) == {}
    write_fleet(made, tmp_path / "site")
    assert len(kept(page)) == 2


def test_new_rules_are_said_beside_what_is_new(tmp_path: Path) -> None:
    book = Catalogue(tmp_path)
    fill(book)
    book.con.execute("UPDATE scans SET rule_set = 'another' WHERE scan = 'scan-2'")
    book.con.execute("UPDATE logs SET received_t = $t", {"t": T0})  # all of them before the night before
    write_fleet(book.close(), tmp_path / "site")
    said = part(tmp_path / "site" / "index.html", "shared")
    assert "The rule set changed since the night before" in said
    assert "The night brought no new record" in said
