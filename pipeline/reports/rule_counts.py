"""How many vehicles of a type a rule found something on, or could not judge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True, slots=True)
class RuleCounts:
    """Vehicles of one profile: with the finding, not judged on it, in all."""

    found: int = 0
    refused: int = 0
    vehicles: int = 0

    @property
    def judged(self) -> int:
        return self.vehicles - self.refused


def rule_counts(con: duckdb.DuckDBPyConnection, profile: str) -> dict[str, RuleCounts]:
    """By rule, for every rule that found or refused something."""
    found = ask(con, __name__, "herd_rules", profile=profile)
    return {r["rule"]: RuleCounts(r["found"], r["refused"], r["vehicles"]) for r in found}
