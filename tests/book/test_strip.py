"""The dated strip of book, findings and sessions in dossier and vehicle page: lanes, links, texts that stay texts."""

from __future__ import annotations

from pathlib import Path

from herdbook.pipeline.reports import write_dossier, write_fleet
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.store import Store
from tests.book.rows import day, enter
from tests.night.tables import T0, session


def with_entries(store: Store) -> None:
    with transaction(store.catalogue) as con:
        con.execute("UPDATE findings SET first_t = ?, last_t = ?", [T0, T0])
        session(con, "a", 0)
        session(con, "a", 3, "charge")
    enter(
        store,
        {"kind": "complaint", "said": 'the brake <b>lets</b> "go"', "when": day(1)},
        {"kind": "repair", "rule": "r", "said": "loom renewed", "when": f"{day(4)} 14:30"},
        {"kind": "fitted", "part": "remote", "serial": "R-1", "when": day(2)},
    )


def test_the_vehicle_page_leads_from_marks_to_entries_and_findings(store: Store, tmp_path: Path) -> None:
    with_entries(store)
    write_fleet(store, tmp_path / "site")
    page = (tmp_path / "site" / "vehicles" / "a.html").read_text("utf-8")
    strip = page.split("Service book, findings and days with sessions")[1].split("</figure>")[0]
    for lane in ("complaints", "repairs", "parts", "note findings", "rides", "charges"):  # closed by the repair
        assert f">{lane}</text>" in strip
    for target in ("e-1", "e-2", "e-3", "f-a/r"):
        assert f'href="#{target}"' in strip
        assert f'id="{target}"' in page
    assert "<b>lets" not in strip
    assert "&lt;b&gt;lets" in strip
    other = (tmp_path / "site" / "vehicles" / "b.html").read_text("utf-8")
    assert "Service book, findings" not in other  # nothing is entered


def test_the_dossier_has_it_and_counts_a_complaint_among_what_came_first(store: Store, tmp_path: Path) -> None:
    with_entries(store)
    page = write_dossier(store, "a", tmp_path).read_text("utf-8")
    strip = page.split("Service book, findings and sessions")[1].split("</figure>")[0]
    assert 'href="#book"' in strip
    assert 'href="#f-a/r"' in strip
    assert f"{day(1)}, complaint: the brake" in strip
    [table] = [t.split("</table>")[0] for t in page.split("<table") if "What came first" in t.split("</caption>")[0]]
    assert "Complaint" in table
    assert "No complaint is entered" not in page
