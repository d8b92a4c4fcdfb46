"""At birth: what the unit's acceptance test measured, and the newest of the same beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.bench.acceptance.birth import figures_at_birth
from herdbook.pipeline.bench.acceptance.since_birth import SinceBirth, since_birth
from herdbook.pipeline.reports.facts import Facts, pack_seen_last
from herdbook.pipeline.reports.page.blocks import Block, Leaf, Note, PageTable
from herdbook.pipeline.reports.words import numbers

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 25  # place in the dossier
TITLE = "At birth and now"
FIRST = 8  # changes beyond their errors that are shown unfolded


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    births = figures_at_birth(con, vehicle=facts.vehicle)
    if not births:
        why = "No acceptance test of this unit is in the store (“herdbook accept”): what it was at birth is not known."
        return Leaf("birth", TITLE, "", [Note(why, "absent")])
    found = since_birth(births, facts.metrics, [s["start_t"] for s in facts.sessions], pack_seen_last(facts))
    blocks: list[Block] = [Note(f"{text}.") for text in tests_in_words(found)]
    if other := next((f for f in found if f.other_pack), None):
        text = f"The pack was changed since: {other.birth.pack} was tested, {other.other_pack} sits in it now."
        blocks.append(Note(f"{text} Its figures are no change of the tested one.", "caution"))
    moved = sorted((f for f in found if f.beyond_errors), key=lambda f: -f.size)
    if moved:
        blocks.append(_table("What has changed by more than its errors", moved[:FIRST], facts))
    elif any(f.change is not None for f in found):
        blocks.append(
            Note("No figure has changed by more than its errors explain (3.5 standard errors: dozens are compared).")
        )
    blocks.append(_table("Every figure", found, facts, folded=True))
    lead = "What the unit's first test measured is the yardstick of its later life; both are made alike."
    return Leaf("birth", TITLE, lead, blocks)


def tests_in_words(found: list[SinceBirth]) -> list[str]:
    """Which tests the figures are from, a sentence each."""
    out = dict.fromkeys(
        f"Tested on {b.day}{f' on line {b.line}' if b.line else ''}{f' by {b.who}' if b.who else ''} by the plan "
        f"“{b.plan}”, version {b.plan_version}: {b.verdict}"
        for b in (f.birth for f in found)
    )
    return list(out)


def _table(caption: str, found: list[SinceBirth], facts: Facts, folded: bool = False) -> PageTable:
    body = []
    for f in found:
        b = f.birth
        now = "–" if f.now is None else numbers.amount(f.now.value, f.now.unit, f.now.se)
        change = f.not_compared or ("–" if f.change is None else numbers.amount(f.change, b.unit, f.change_se))
        when = numbers.day(f.when, facts.zone) if f.when else "not measured since"
        body.append((f.words, numbers.amount(b.value, b.unit, b.se), now, change, when))
    head = ("Figure", "At birth", "Now", "Change", "Now is of")
    return PageTable(caption, head, body, frozenset({1, 2, 3}), folded)
