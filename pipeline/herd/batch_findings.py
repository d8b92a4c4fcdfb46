"""Is it the batch of the vehicle? Every rule's findings, as a rate of vehicles found by the kilometres on record."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from herdbook.pipeline.herd.batches import BatchRate, Member, all_together, held_against_others, too_small
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb


def batch_findings(con: duckdb.DuckDBPyConnection) -> tuple[list[BatchRate], list[str]]:
    """Comparisons, the most surprising first; and what was not compared and why, a sentence each."""
    every = ask(con, __name__, "vehicle_facts")
    facts = [row for row in every if row["batch"] and row["km"] > 0]
    hit = {(row["rule"], row["vehicle"]) for row in ask(con, __name__, "told_ever") if row["severity"] != "note"}
    rules = sorted({rule for rule, _ in hit})
    found: list[BatchRate] = []
    left_out = []
    if without := len(every) - len(facts):
        some = "1 vehicle has" if without == 1 else f"{without} vehicles have"
        left_out.append(
            f"{some} no batch or no kilometres on record, and {'is' if without == 1 else 'are'} not compared"
        )
    for profile in sorted({row["profile"] for row in facts}):
        own = [row for row in facts if row["profile"] == profile]
        of_rule = {rule: _members(own, {vehicle for r, vehicle in hit if r == rule}) for rule in rules}
        for batch in sorted({row["batch"] for row in own}):
            if why := too_small(_members(own, set()), batch, profile):
                left_out.append(why)
                continue
            compared = (held_against_others(of_rule[rule], batch, about=rule, among=profile) for rule in rules)
            found += [one for one in compared if one is not None]
    return all_together(found), left_out


def _members(rows: Sequence[Row], found: Collection[str]) -> list[Member]:
    return [Member(row["batch"], (row["zone"], row["site"]), row["km"], row["vehicle"] in found) for row in rows]
