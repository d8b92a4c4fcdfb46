"""A history and the service book in it say one thing: what people entered is not called unrecorded."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from herdbook.pipeline.reports import write_history
from herdbook.pipeline.reports.history.strip import strip
from herdbook.pipeline.reports.history.verify import verify_history
from herdbook.pipeline.reports.history.write import signed_history
from herdbook.pipeline.store.store import Store
from tests.book.rows import enter


def told(made: dict[str, Any], topic: str) -> str:
    return " ".join(line["text"] for line in made["lines"] if line["topic"] == topic)


def test_a_repair_in_the_book_is_denied_nowhere(store: Store, tmp_path: Path) -> None:
    before = signed_history(store, "a")
    assert told(before, "Repairs and campaigns").startswith("No repair, recall, campaign or complaint is entered")
    assert "entered by people" not in strip(before, None)
    enter(store, {"kind": "repair", "rule": "r", "said": "new controller"})
    after = signed_history(store, "a")
    assert "known as far as people entered them" in told(after, "Repairs and campaigns")
    assert "entered by people" in strip(after, None)
    everything = " ".join(line["text"] for line in after["lines"])
    assert "new controller" in everything
    assert "not recorded in this store, so" not in everything
    assert "ampaigns are not recorded" not in everything
    assert verify_history(store, write_history(store, "a", tmp_path / "a.html")).ok
    assert write_history(store, "a", out=tmp_path / "a.json").read_text("utf-8").startswith("{")  # as the name ends
    assert write_history(store, "a", out=tmp_path / "a.csv").read_text("utf-8")[0] != "<"


def test_only_entries_that_hold_count(store: Store) -> None:
    _, [made] = enter(store, {"kind": "repair", "said": "new belt"})
    assert "1 entry of repairs" in told(signed_history(store, "a"), "Parts and software")
    enter(store, {"kind": "note", "corrects": str(made.entry), "said": "that was another vehicle"})
    assert "No repair, part or campaign is entered" in told(signed_history(store, "a"), "Parts and software")
