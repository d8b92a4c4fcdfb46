"""Provenance: which logs, decoded with what, judged by which rules; enough to do it again and get the same."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Leaf, Note, PageTable
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 120  # place in the dossier


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    sets = sorted({f["rule_set"] for f in facts.findings} | {s["rule_set"] for s in facts.scores})
    blocks: list[Block] = []
    if sets:
        made = f", laid down {numbers.moment(facts.rule_set['made_t'], facts.zone)}" if facts.rule_set else ""
        blocks.append(Note(f"Judged by rule set {numbers.listing(sets)}{made}."))
    if facts.scan:
        blocks.append(
            Note(f"Newest complete scan: {facts.scan['scan']}, {numbers.moment(facts.scan['started_t'], facts.zone)}.")
        )
    body = [_log(facts, number, log) for number, log in enumerate(facts.logs, start=1)]
    covers = f"Covers ({facts.zone_name})"
    head = ("Log", "File", "SHA-256", covers, "Size", "Format, state", "Clock, identity by", "Profile", "DBC")
    blocks.append(
        PageTable(f"The {numbers.plural(len(facts.logs), 'log')} behind this page", head, body, frozenset({0, 4}))
    )
    lead = "The same logs, profile and rule set give the same findings and scores, byte for byte."
    return Leaf("source", "Provenance", lead, blocks)


def _log(facts: Facts, number: int, log: Row) -> tuple[str, ...]:
    told = f"{log['format']}, {log['status']}", f"{log['clock']}, {log['identity_by']}"
    covers = numbers.span(log["start_t"], log["end_t"], facts.zone)
    hashes = log["profile_hash"][:12], log["network_hash"][:12]
    return (str(number), log["name"], log["log"], covers, numbers.size(log["size_bytes"]), *told, *hashes)
