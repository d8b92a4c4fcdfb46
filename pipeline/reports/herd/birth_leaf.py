"""Of the herd's page: what units were at birth, by type and build, and what they are now."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.bench.acceptance.figures import KINDS, in_words
from herdbook.pipeline.herd.since_birth import LEAST, BirthGroup, since_birth
from herdbook.pipeline.reports.page.blocks import Block, Leaf, Note, PageTable
from herdbook.pipeline.reports.words import numbers

if TYPE_CHECKING:
    import duckdb

TITLE = "At birth and now"
FIRST = (  # figures that are shown unfolded, in this order
    "resistance_10s",
    "resistance_0.5s",
    "capacity_pack",
    "path",
    "rolling",
    "brake_response",
    "insulation",
)
HEAD = (
    "Figure",
    "Built",
    "Tested",
    "At birth (lowest to highest)",
    "Now",
    "Change (95 %)",
    "Farthest from its birth",
)


def leaf(con: duckdb.DuckDBPyConnection) -> Leaf:
    found = since_birth(con)
    if not found:
        none = "No acceptance test is in the store (“herdbook accept --store”): what units were at birth is not known."
        return Leaf("birth", TITLE, blocks=[Note(none, "absent")])
    blocks: list[Block] = []
    for profile in sorted({g.profile for g in found}):
        own = [g for g in found if g.profile == profile]
        shown = sorted((g for g in own if g.figure in FIRST), key=lambda g: FIRST.index(g.figure))
        rest = [g for g in own if g.figure not in FIRST]
        if shown:
            blocks.append(PageTable(f"{profile}: at birth and now", HEAD, [row(g) for g in shown]))
        if rest:
            caption = f"{profile}: {numbers.plural(len({g.figure for g in rest}), 'further figure')}"
            blocks.append(PageTable(caption, HEAD, [row(g) for g in rest], folded=bool(shown)))
    lead = (
        "What each unit's acceptance test measured is the yardstick of its later life. A unit counts once, with the "
        "median of its groups or sensors; a change is its own, now less birth, and its mean over the units of a build "
        f"has a 95 % interval from {LEAST} units on. A change of parts is no change of the tested one and is left out."
    )
    return Leaf("birth", TITLE, lead, blocks)


def row(g: BirthGroup) -> tuple[str, ...]:
    """As HEAD."""
    middle, low, high = g.at_birth
    born = numbers.amount(middle, g.unit)
    if g.tested > 1:
        born += f" ({numbers.number(low)} to {numbers.number(high)})"
    kind = KINDS.get(g.figure)
    apart = f"not compared: differs with {kind.differs}" if kind is not None and kind.differs else "not measured since"
    now = apart if g.now is None else f"{numbers.amount(g.now, g.unit)} ({numbers.plural(g.measured, 'unit')})"
    change = "–"
    if g.change is not None:
        change = numbers.amount(g.change, g.unit)
        if g.low is not None and g.high is not None:
            change += f" ({numbers.number(g.low)} to {numbers.number(g.high)})"
    words = in_words(g.figure, "").replace(" of group ", " of a group").replace("  ", " ").strip()
    cells = (words, g.group or "all", str(g.tested), born, now, change, _far(g))
    return tuple(numbers.with_minus(cell) for cell in cells)


def _far(g: BirthGroup) -> str:
    """ "ZB-0103, group 7: 2.1 mΩ at birth, 2.9 mΩ now"."""
    if g.farthest is None:
        return "none beyond its errors" if g.measured else "–"
    f = g.farthest
    where = f"{f.vehicle}, {f'group {f.item}' if f.item.isdecimal() else f.item}" if f.item else f.vehicle
    return f"{where}: {numbers.amount(f.at_birth, g.unit)} at birth, {numbers.amount(f.now, g.unit)} now"
