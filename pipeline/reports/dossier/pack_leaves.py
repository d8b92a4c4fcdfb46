"""The leaves that speak of a pack, once for each of several side by side."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from herdbook.pipeline.reports.dossier.leaves import LeafMaker
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.packs import facts_of_pack
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, PageTable, Strip

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

OF_A_PACK = ("cells", "group_curves", "pack", "heat", "use")  # by file under leaves/


def of_packs(
    name: str,
    make: LeafMaker,
    store: Store,
    con: duckdb.DuckDBPyConnection,
    facts: Facts,
    packs: tuple[int, ...],
) -> list[Leaf]:
    """The leaf, or one for each pack; the first keeps its anchors. packs: numbers, none where there is but one."""
    if not packs or name not in OF_A_PACK:
        return [make(store, con, facts)]
    return [_named(make(store, con, facts_of_pack(facts, n)), n) for n in packs]


def _named(leaf: Leaf, pack: int) -> Leaf:
    title = f"Pack {pack}: {leaf.title[:1].lower()}{leaf.title[1:]}"
    if pack == 1:
        return replace(leaf, title=title)
    return replace(leaf, id=f"{leaf.id}-{pack}", title=title, blocks=[_block(b, pack) for b in leaf.blocks])


def _block(block: Block, pack: int) -> Block:
    if isinstance(block, Drawn):
        figure = replace(block.figure, id=f"{block.figure.id}-pack-{pack}", title=f"Pack {pack}: {block.figure.title}")
        return Drawn(figure)
    if isinstance(block, Strip):
        return replace(block, id=f"{block.id}-pack-{pack}")
    if isinstance(block, PageTable):
        return replace(block, caption=f"Pack {pack}: {block.caption}")
    return block
