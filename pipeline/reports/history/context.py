"""What a history is written from: one vehicle's facts, its reader, its profile, and counts over its herd."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import polars as pl

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.facts import Facts, Row, rows
from herdbook.pipeline.reports.words import numbers as words

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.health.rule import Record
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.vehicle.profile import Profile


@dataclass(frozen=True, slots=True)
class Reader:
    """For whom: zone of all times, "km" or "mi"."""

    zone: ZoneInfo | None
    units: str

    def day(self, t: datetime) -> str:
        return words.day(t, self.zone)

    def distance(self, km: float) -> float:
        return km if self.units == "km" else km / words.KM_PER_MILE

    def counter(self, km: float) -> str:
        """A reading of the distance counter, to a tenth."""
        return f"{self.distance(km):,.1f}".replace(",", "\u202f") + f"\u00a0{self.units}"

    def far(self, km: float) -> str:
        return words.amount(self.distance(km), self.units)


@dataclass(frozen=True, slots=True)
class Herd:
    """Counts over the vehicles of one profile, this one included. rules: rule -> (found, refused, vehicles).
    versions: rule -> rows component, version, vehicles, found."""

    vehicles: int
    rules: dict[str, tuple[int, int, int]]
    versions: dict[str, list[Row]]


@dataclass(frozen=True)
class Desk:
    """profile None: it is gone from the store's folder. herd None: not known for a past date. by, at: who wrote the
    file and when, as they said ("" and None: nobody is named)."""

    facts: Facts
    reader: Reader
    profile: Profile | None = None
    reference: list[Row] = field(default_factory=list)
    herd: Herd | None = None
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


def profile_of(store: Store, name: str) -> Profile | None:
    """The newest profile of that name; None when it is gone or does not load."""
    try:
        return next((p for p in reversed(store.profiles()) if p.name == name), None)
    except HerdbookError:
        return None


def herd_of(con: duckdb.DuckDBPyConnection, facts: Facts) -> Herd:
    found = rows(con, "herd_rules", profile=facts.about["profile"])
    told = {f["rule"] for f in facts.findings}
    versions = {rule: rows(con, "herd_versions", profile=facts.about["profile"], rule=rule) for rule in sorted(told)}
    of_rules = {r["rule"]: (r["found"], r["refused"], r["vehicles"]) for r in found}
    return Herd(max((v for _, _, v in of_rules.values()), default=0), of_rules, versions)


def record_of(facts: Facts, profile: Profile, reference: list[Row]) -> Record:
    """A rule's record from the published rows."""
    from herdbook.pipeline.health.rule import Record
    from herdbook.pipeline.vehicle.record import EVENTS, METRICS, REFERENCE, SESSIONS

    names = {"vehicle": facts.vehicle}
    sessions = pl.DataFrame([s | names for s in facts.sessions], schema_overrides=_naive(SESSIONS), strict=False)
    if not facts.sessions:
        sessions = pl.DataFrame(schema=SESSIONS)
    ends = {s["start_t"]: s["end_t"] for s in facts.sessions}
    metrics = facts.metrics.filter(pl.col("start_t").is_in(list(ends))) if facts.metrics.height else facts.metrics
    if metrics.height:
        metrics = metrics.with_columns(end_t=pl.col("start_t").replace_strict(ends, return_dtype=pl.Datetime("us")))
    events = facts.events.filter(pl.col("session_start_t").is_in(list(ends))) if facts.events.height else facts.events
    return Record(
        facts.vehicle,
        profile,
        _typed(sessions, SESSIONS),
        _typed(metrics, METRICS),
        _typed(_structs(events), EVENTS).sort("session_start_t", "start_t", "kind", "item", "end_t"),
        pl.DataFrame(reference, schema=REFERENCE) if reference else pl.DataFrame(schema=REFERENCE),
    )


def _naive(schema: Any) -> Any:
    return {n: pl.Datetime("us") if isinstance(t, pl.Datetime) else t for n, t in schema.items()}


def _typed(frame: pl.DataFrame, schema: Any) -> pl.DataFrame:
    """The columns of the schema, naive times as UTC; an empty frame of any shape gives an empty one."""
    if not frame.height:
        return pl.DataFrame(schema=schema)
    times = [n for n, t in schema.items() if isinstance(t, pl.Datetime)]
    zoned = frame.with_columns(pl.col(n).cast(pl.Datetime("us")).dt.replace_time_zone("UTC") for n in times)
    return zoned.select(schema.keys()).cast(schema)


def _structs(events: pl.DataFrame) -> pl.DataFrame:
    """keys and numbers (lists of equal length) to one list of key and value."""
    if not events.height:
        return events
    pairs = [
        [{"key": k, "value": v} for k, v in zip(row["keys"], row["numbers"], strict=True)]
        for row in events.select("keys", "numbers").iter_rows(named=True)
    ]
    kind = pl.List(pl.Struct({"key": pl.String, "value": pl.Float64}))
    return events.with_columns(pl.Series("data", pairs, kind))
