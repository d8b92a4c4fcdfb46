"""Service book: what people complained of, found and did, and which parts sit in the unit by their word."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.book import parts
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Leaf, Note, PageTable

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 75  # place in the dossier


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    blocks: list[Block] = [Note(f"{told}.", "caution") for told in parts.contradictions(con, facts.book, facts.vehicle)]
    held = [e for e in facts.book if e.holds]
    if held:
        head = ("When", "What", "About", "In the words entered", "By")
        body = [(e.when, e.kind, e.about(facts.rule_title(e.rule) if e.rule else ""), e.said, e.made_by) for e in held]
        blocks.append(PageTable("Entries", head, body))
    else:
        blocks.append(Note("Nothing is entered. “herdbook book add” enters what was found and done.", "absent"))
    if sits := [s for s in parts.stays(facts.book) if s.to_t is None]:
        rows = [(s.part, s.serial, s.batch, s.supplier, s.day) for s in sits]
        blocks.append(
            PageTable("Parts that sit in it, by the book", ("Part", "Serial", "Batch", "Supplier", "Since"), rows)
        )
    return Leaf("book", "Service book", "What people entered; nothing of it was checked against the unit.", blocks)
