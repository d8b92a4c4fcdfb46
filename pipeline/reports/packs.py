"""Facts of one pack of several side by side, so that a page that speaks of a pack speaks of the right one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.vehicle.packs import of_this_pack, pack_of, unmarked
from herdbook.pipeline.vehicle.profile import Profile

if TYPE_CHECKING:
    from herdbook.pipeline.health.rule import Record


def packs_of(profile: Profile | None) -> tuple[int, ...]:
    """The numbers of the packs that a profile maps; none where there is but one."""
    return tuple(range(1, 2 + len(profile.others))) if profile is not None and profile.others else ()


def facts_of_pack(facts: Facts, pack: int) -> Facts:
    """The same vehicle with the figures and events of this pack under their own names; of a further pack nothing else.
    Findings stand as they are."""
    if pack < 2:
        return replace(facts, pack=pack)
    return replace(
        facts,
        pack=pack,
        metrics=_own(facts.metrics, "name", pack),
        events=_own(facts.events, "kind", pack),
        doubts=of_this_pack(facts.doubts, pack),
        installs=[row for row in facts.installs if row["component"] != "pack"],  # its serial is not followed
    )


def about_its_pack(facts: Facts, finding: Row) -> tuple[Facts, Row]:
    """A finding as one of its pack alone, with the facts of that pack: whoever draws it need not know of others."""
    pack, item = pack_of(finding["item"])
    if not pack:
        return facts, finding
    return facts_of_pack(facts, pack), finding | {"item": item, "title": f"{finding['title']}, pack {pack}"}


def reading_of(record: Record | None, finding: Row) -> Record | None:
    """The record as the finding's rule read it: that of its pack."""
    from herdbook.pipeline.health.packs import of_pack

    return None if record is None else of_pack(record, pack_of(finding["item"])[0])


def _own(rows: pl.DataFrame, column: str, pack: int) -> pl.DataFrame:
    if not rows.height:
        return rows
    plain = {name: unmarked(name)[1] for name in rows[column].unique().to_list() if unmarked(name)[0] == pack}
    return rows.filter(pl.col(column).is_in(list(plain))).with_columns(pl.col(column).replace(plain))
