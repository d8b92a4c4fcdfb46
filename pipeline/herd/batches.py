"""Is it the batch? Every rule's findings, each batch against all others of its type, within sites and zones.

The rate is that of vehicles found by the kilometres on record. Comparing within strata keeps apart who rides where from
what is built how; where batch and site are one and the same, nothing can tell them apart, and that is said. All
comparisons together are held to one false discovery rate (Benjamini and Yekutieli: however they hang together).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.science.strata import Ratio, exact_rate_ratio, false_discovery, rate_ratio
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

FEWEST_VEHICLES = 5  # in the batch and among the others: engineering choice
FEWEST_FOUND = 3  # vehicles found in all: with fewer no ratio can be surprising
SURE = 0.05  # of what is called a difference, so much may be none


@dataclass(frozen=True, slots=True)
class BatchRate:
    """found, vehicles, km: of the batch; other_*: of all others of the type. ratio: within strata, or None where no
    stratum holds both. crude: over all. adjusted: its p among all comparisons; 1 where it was not compared."""

    rule: str
    profile: str
    batch: str
    found: int
    vehicles: int
    km: float
    other_found: int
    other_vehicles: int
    other_km: float
    crude: Ratio
    ratio: Ratio | None
    adjusted: float

    @property
    def differs(self) -> bool:
        return self.ratio is not None and self.adjusted <= SURE

    @property
    def words(self) -> str:
        if self.ratio is None:
            return "no site or zone has vehicles of this and of another batch: batch and use cannot be told apart"
        if self.differs:
            return "differs from the others"
        if self.crude.p <= SURE < self.ratio.p:
            return "differs over all, not within sites: who rides where may explain it"
        return "no more than chance may give"


def batch_rates(con: duckdb.DuckDBPyConnection) -> tuple[list[BatchRate], list[str]]:
    """Comparisons, the most surprising first; and what was not compared and why, a sentence each."""
    every = ask(con, __name__, "vehicle_facts")
    facts = [row for row in every if row["batch"] and row["km"] > 0]
    hit = {(row["rule"], row["vehicle"]) for row in ask(con, __name__, "told_ever") if row["severity"] != "note"}
    found: list[tuple[str, str, _Compared]] = []
    left_out = []
    if without := len(every) - len(facts):
        some = "1 vehicle has" if without == 1 else f"{without} vehicles have"
        left_out.append(
            f"{some} no batch or no kilometres on record, and {'is' if without == 1 else 'are'} not compared"
        )
    for profile in sorted({row["profile"] for row in facts}):
        own = [row for row in facts if row["profile"] == profile]
        for batch in sorted({row["batch"] for row in own}):
            one = [row for row in own if row["batch"] == batch]
            rest = [row for row in own if row["batch"] != batch]
            if len(one) < FEWEST_VEHICLES or len(rest) < FEWEST_VEHICLES:
                beside = f"of {len(one)} beside {len(rest)} of other batches"
                left_out.append(f"Too small to compare: {profile}, batch {batch}, {beside}")
                continue
            compared = (_compared(rule, one, rest, hit) for rule in sorted({rule for rule, _ in hit}))
            found += [(profile, batch, c) for c in compared if c is not None]
    adjusted = false_discovery(np.array([c.ratio.p if c.ratio else 1.0 for _, _, c in found]), dependent=True)
    rates = [
        BatchRate(c.rule, profile, batch, *c.counts, c.crude, c.ratio, float(p))
        for (profile, batch, c), p in zip(found, adjusted, strict=True)
    ]
    return sorted(rates, key=lambda r: (r.adjusted, r.crude.p, r.rule, r.batch)), left_out


@dataclass(frozen=True, slots=True)
class _Compared:
    rule: str
    counts: tuple[int, int, float, int, int, float]
    crude: Ratio
    ratio: Ratio | None


def _compared(rule: str, one: Sequence[Row], rest: Sequence[Row], hit: set[tuple[str, str]]) -> _Compared | None:
    def found(rows: Sequence[Row]) -> int:
        return sum((rule, row["vehicle"]) in hit for row in rows)

    def km(rows: Sequence[Row]) -> float:
        return float(sum(row["km"] for row in rows))

    if found(one) + found(rest) < FEWEST_FOUND:
        return None
    strata = sorted({(row["zone"], row["site"]) for row in (*one, *rest)})
    cells = [
        [(found(part), km(part)) for part in (_within(one, stratum), _within(rest, stratum))] for stratum in strata
    ]
    arrays = [np.array([cell[side][what] for cell in cells], dtype=float) for side in (0, 1) for what in (0, 1)]
    counts = (found(one), len(one), km(one), found(rest), len(rest), km(rest))
    return _Compared(rule, counts, exact_rate_ratio(counts[0], counts[2], counts[3], counts[5]), rate_ratio(*arrays))


def _within(rows: Sequence[Row], stratum: tuple[str, str]) -> list[Row]:
    return [row for row in rows if (row["zone"], row["site"]) == stratum]
