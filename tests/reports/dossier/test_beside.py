"""A dossier of a site is written anew when the service book, or a history laid beside it, says more."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from herdbook.pipeline.book.entry import Entry
from herdbook.pipeline.reports import write_fleet, write_history
from herdbook.pipeline.reports.dossier.write import fingerprint, refresh_dossiers
from herdbook.pipeline.reports.facts import one_vehicle
from herdbook.pipeline.store.store import Store
from tests.reports.made_up import T0

LINK = 'href="../histories/history-VX-014.html"'


def test_a_written_history_is_linked_from_dossier_and_vehicle(store: Store, tmp_path: Path) -> None:
    dossier, vehicle = tmp_path / "dossiers" / "VX-014.html", tmp_path / "vehicles" / "VX-014.html"
    assert refresh_dossiers(store, dossier.parent, ["VX-014"]) == 1
    assert LINK not in dossier.read_text("utf-8")
    written = write_history(store, "VX-014", f"{tmp_path / 'histories'}/")
    assert written == tmp_path / "histories" / "history-VX-014.html"
    assert refresh_dossiers(store, dossier.parent, ["VX-014"]) == 1
    assert LINK in dossier.read_text("utf-8")
    assert refresh_dossiers(store, dossier.parent, ["VX-014"]) == 0
    write_fleet(store, tmp_path)
    assert LINK in vehicle.read_text("utf-8")


def test_an_entry_and_its_end_change_what_a_dossier_says(store: Store) -> None:
    with store.read() as con:
        facts = one_vehicle(con, "VX-014", "UTC")
    texts = dict.fromkeys(("part", "serial", "batch", "supplier", "rule", "item", "outcome"), "")
    entry = Entry(
        entry=1,
        vehicle="VX-014",
        kind="repair",
        from_t=T0,
        to_t=T0,
        zone="UTC",
        said="new belt",
        made_by="workshop",
        made_t=T0,
        source="typed",
        corrects=None,
        holds=True,
        **texts,
    )
    marks = {fingerprint(replace(facts, book=b)) for b in ([], [entry], [replace(entry, holds=False)])}
    assert len(marks) == 3
