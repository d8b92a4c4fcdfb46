"""Every figure that was measured on the unit, in one place: nothing that a rule or a page leaves out is lost."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.reports.drawing.session_figures import figures_table
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.packs import facts_of_pack
from herdbook.pipeline.reports.page.blocks import Block, Leaf, Note
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.vehicle.packs import unmarked

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 110  # place in the dossier


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    blocks: list[Block] = []
    for title, chosen in tables().items():
        blocks += figures_table(facts, f"{title}, all figures", chosen, folded=True)
    for pack in _further_packs(facts):
        of_pack = facts_of_pack(facts, pack)
        for title, chosen in tables().items():
            blocks += figures_table(of_pack, f"Pack {pack}: {title.lower()}, all figures", chosen, folded=True)
    if own := own_figures(facts):
        blocks += figures_table(facts, "Figures of this store's own metric sets, all", own, folded=True)
    if not blocks:
        blocks.append(Note("No session of this unit gave a figure.", "absent"))
    names = facts.metrics["name"].n_unique() if facts.metrics.height else 0
    lead = (
        f"{numbers.plural(names, 'figure')} by session, each with one standard error where it has one. Where a figure "
        "has more than four items, its row gives medians over all of them. By session: the catalogue's table metrics."
    )
    return Leaf("figures", "Every figure", lead, blocks)


def _further_packs(facts: Facts) -> list[int]:
    names = facts.metrics["name"].unique().to_list() if facts.metrics.height else []
    return sorted({pack for name in names if (pack := unmarked(name)[0]) > 1})


def own_figures(facts: Facts) -> list[tuple[str, str]]:
    """Those that none of our sets gives, by the names that somebody gave them."""
    names = facts.metrics["name"].unique().sort().to_list() if facts.metrics.height else []
    return [(name, f"{name.removeprefix('own_').replace('_', ' ')} [{name}]") for name in names if name[:4] == "own_"]


def tables() -> dict[str, list[tuple[str, str]]]:
    """By subject, the name and meaning of every figure that any metric set may give."""
    from herdbook.pipeline.metrics import all_sets
    from herdbook.pipeline.metrics.set import Subject

    out: dict[str, dict[str, str]] = {subject: {} for subject in Subject}
    for metric_set in all_sets().values():
        for metric, (_, meaning) in metric_set.gives.items():
            out[metric_set.subject].setdefault(metric, f"{meaning.rstrip('.')} [{metric}]")
    return {title: list(chosen.items()) for title, chosen in out.items() if chosen}
