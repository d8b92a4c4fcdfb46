"""A vehicle's record as the rules would see it, made again from the published rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.vehicle.packs import as_pack

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.health.rule import Record
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.vehicle.profile import Profile


def profile_of(store: Store, name: str, pack: int = 0) -> Profile | None:
    """The newest profile of that name; None when it is gone or does not load. pack: as it reads this of several."""
    try:
        found = next((p for p in reversed(store.profiles()) if p.name == name), None)
    except HerdbookError:
        return None
    return as_pack(found, pack) if found is not None and pack else found


def reference_of(con: duckdb.DuckDBPyConnection, profile: str) -> list[Row]:
    """What the fleet of a profile says is usual, as rules compare with it."""
    return ask(con, __name__, "reference", profile=profile)


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
        vehicle=facts.vehicle,
        profile=profile,
        sessions=_typed(sessions, SESSIONS),
        metrics=_typed(metrics, METRICS),
        events=_typed(_structs(events), EVENTS).sort("session_start_t", "start_t", "kind", "item", "end_t"),
        reference=pl.DataFrame(reference, schema=REFERENCE) if reference else pl.DataFrame(schema=REFERENCE),
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
