"""What is on record of a vehicle: sessions, their metrics and events, and the columns of the tables that keep them."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

TIME = pl.Datetime("us", "UTC")
US = pl.Datetime("us")  # as the catalogue keeps times: UTC without a zone
Schema = dict[str, pl.DataType | type[pl.DataType]]
FAILED = "own_metrics_failed"  # kind of event: an own metric set failed in the session; item: which, and how
SESSIONS: Schema = {
    "vehicle": pl.String,
    "kind": pl.String,
    "start_t": TIME,
    "end_t": TIME,
    "coverage": pl.Float64,
}
METRICS: Schema = {
    "kind": pl.String,
    "start_t": TIME,
    "end_t": TIME,
    "name": pl.String,
    "item": pl.String,
    "value": pl.Float64,
    "unit": pl.String,
    "se": pl.Float64,
    "n": pl.Int64,
    "coverage": pl.Float64,
}
EVENTS: Schema = {
    "session_start_t": TIME,
    "kind": pl.String,
    "item": pl.String,
    "start_t": TIME,
    "end_t": TIME,
    "data": pl.List(pl.Struct({"key": pl.String, "value": pl.Float64})),
}
REFERENCE: Schema = {
    "name": pl.String,
    "item": pl.String,
    "value": pl.Float64,
    "spread": pl.Float64,
    "unit": pl.String,
    "n": pl.Int64,
}


@dataclass(frozen=True, slots=True)
class Metric:
    """A number about a session. item: "" or the index it belongs to ("7", "left"). se: standard error in `unit`,
    None when it has none (a count). n: samples or events behind it. coverage: share 0..1 of the time it needed
    that was really recorded."""

    name: str
    value: float
    unit: str
    se: float | None = None
    n: int = 0
    coverage: float = 1.0
    item: str = ""


@dataclass(frozen=True, slots=True)
class Event:
    """Something with a beginning and an end inside a session (a braking, a current step, a hot stretch).
    start, end: microseconds UTC. data: numbers by unit-bearing name (`demand_pct`, `shortfall_a`)."""

    kind: str
    start: int
    end: int
    item: str = ""
    data: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Session:
    """A stretch of one vehicle's time; kind is ride, charge, rest or bench. start, end: microseconds UTC."""

    vehicle: str
    kind: str
    start: int
    end: int
