"""Is it the batch of a part? Failures by the service book, as a rate by the days that parts were watched."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import Removed
from herdbook.pipeline.book.parts import stays
from herdbook.pipeline.herd.batches import BatchRate, Member, all_together, held_against_others, too_small
from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb


def batch_failures(con: duckdb.DuckDBPyConnection, until: datetime) -> tuple[list[BatchRate], list[str]]:
    """Comparisons, the most surprising first; and what was not compared and why, a sentence each. until: naive UTC, to
    which what sits still is known to live. Raises: StoreError for a copy that knows no service book."""
    entries = book.entered(con)
    scrapped = {e.vehicle: e.from_t for e in entries if e.holds and e.kind == "scrapped"}
    where = {row["vehicle"]: (row["zone"], row["site"]) for row in ask(con, __name__, "vehicle_facts")}
    of_kind: dict[str, list[Member]] = {}
    for stay in stays(entries):
        end = stay.to_t or min(until, scrapped.get(stay.vehicle, until))
        days = (end - stay.from_t) / timedelta(days=1)
        if stay.batch and days > 0:
            failed = stay.to_t is not None and stay.outcome != Removed.SOUND
            life = Member(stay.batch, where.get(stay.vehicle, ("", "")), days, failed)
            of_kind.setdefault(stay.part.split()[0], []).append(life)
    found, left_out = [], []
    for part, lives in sorted(of_kind.items()):
        for batch in sorted({life.batch for life in lives}):
            if why := too_small(lives, batch, part):
                left_out.append(why)
            elif compared := held_against_others(lives, batch, about=part):
                found.append(compared)
    return all_together(found), left_out
