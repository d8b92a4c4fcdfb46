"""What a history is written from: one vehicle's facts, its reader, its profile, and counts over its herd."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.record import record_of
from herdbook.pipeline.reports.rule_counts import RuleCounts, rule_counts
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.bench.acceptance.birth import BirthFigure
    from herdbook.pipeline.health.rule import Record
    from herdbook.pipeline.vehicle.profile import Profile


@dataclass(frozen=True, slots=True)
class HistoryReader:
    """For whom: zone of all times, "km" or "mi"."""

    zone: ZoneInfo | None
    units: str

    def day(self, t: datetime) -> str:
        return numbers.day(t, self.zone)

    def distance(self, km: float) -> float:
        return km if self.units == "km" else km / numbers.KM_PER_MILE

    def counter(self, km: float) -> str:
        """A reading of the distance counter, to a tenth."""
        return f"{self.distance(km):,.1f}".replace(",", "\u202f") + f"\u00a0{self.units}"

    def far(self, km: float) -> str:
        return numbers.amount(self.distance(km), self.units)


@dataclass(frozen=True, slots=True)
class HerdCounts:
    """Counts over the vehicles of one profile, this one included. rules: by rule. versions: by rule, rows of component,
    version, vehicles, found."""

    vehicles: int
    rules: dict[str, RuleCounts]
    versions: dict[str, list[Row]]


@dataclass(frozen=True)
class HistoryContext:
    """profile None: it is gone from the store's folder. herd None: not known for a past date. by, at: who wrote the
    file and when, as they said ("" and None: nobody is named)."""

    facts: Facts
    reader: HistoryReader
    profile: Profile | None = None
    reference: list[Row] = field(default_factory=list)
    herd: HerdCounts | None = None
    births: list[BirthFigure] = field(default_factory=list)
    as_of: datetime | None = None
    by: str = ""
    at: datetime | None = None

    @property
    def type_name(self) -> str:
        """The model as the profile names it, else the profile's own name."""
        model = self.profile.vehicle_figures.model if self.profile else ""
        return model or str(self.facts.about["profile"])

    @cached_property
    def record(self) -> Record | None:
        """The vehicle's record as the rules would see it, without what came in after as_of."""
        return None if self.profile is None else record_of(self.facts, self.profile, self.reference)


def herd_of(con: duckdb.DuckDBPyConnection, facts: Facts) -> HerdCounts:
    profile = facts.about["profile"]
    counts = rule_counts(con, profile)
    versions = {
        rule: ask(con, __name__, "herd_versions", profile=profile, rule=rule)
        for rule in sorted({f["rule"] for f in facts.findings})
    }
    return HerdCounts(max((c.vehicles for c in counts.values()), default=0), counts, versions)
