"""From a drawn vehicle to the record that rules judge, without log files: simulate, sense,
cut into sessions, measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from demo_logs.draw import Drawn
from demo_logs.simulator import outings_of
from demo_logs.simulator.fleet import noise_rng, to_signals
from demo_logs.simulator.logger import observe
from herdbook.pipeline.assess.sessions import Stretch, sessions
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.metrics import measure
from herdbook.pipeline.metrics.set import Outcome
from herdbook.pipeline.settings import Settings
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import EVENTS, METRICS, REFERENCE, SESSIONS, Session


@dataclass(frozen=True)
class Measured:
    """One vehicle's rows as the catalogue would keep them. Picklable."""

    vehicle: str
    sessions: pl.DataFrame
    metrics: pl.DataFrame
    events: pl.DataFrame

    def record(self, profile: Profile, reference: pl.DataFrame | None, until: int | None = None) -> Record:
        """The record as it stood at `until` (microseconds UTC; None: at the end)."""
        parts = [self.sessions, self.metrics, self.events]
        if until is not None:
            last = pl.lit(until).cast(pl.Datetime("us", "UTC"))
            keys = ("end_t", "end_t", "session_start_t")
            parts = [p.filter(pl.col(k) <= last) for p, k in zip(parts, keys, strict=True)]
        known = pl.DataFrame(schema=REFERENCE) if reference is None else reference
        return Record(self.vehicle, profile, parts[0], parts[1], parts[2], known)


def measure_batch(drawn: Sequence[Drawn]) -> list[Measured]:
    """Vehicles of one profile, through all their outings."""
    vehicles = [d.vehicle for d in drawn]
    rows: list[tuple[list[Any], list[Any], list[Any]]] = [([], [], []) for _ in drawn]
    for slot, trace, _ in outings_of(vehicles, [d.outings for d in drawn]):
        for i, (one, outing) in enumerate(zip(drawn, slot, strict=True)):
            vehicle = one.vehicle
            rng = noise_rng(vehicle, outing)
            seen = observe(trace, i, vehicle.profile, outing.kind, one.logger, rng, vehicle.noise)
            start = int(trace.start_us[i])
            end = start + int(outing.minutes * 60e6)
            signals = to_signals(vehicle.name, start, end, seen, vehicle.profile)
            stretch = Stretch(start, end)
            found = sessions(vehicle.name, stretch, signals, [(start, end)], False, SETTINGS.stop_s, GAP_US)
            for part in found:
                s = part.session
                cut = signals.between(s.start, s.end)
                add_rows(rows[i], s, part.coverage, measure(s, cut, vehicle.profile))
    return [
        Measured(d.vehicle.name, typed(r[0], SESSIONS), typed(r[1], METRICS), typed(r[2], EVENTS))
        for d, r in zip(drawn, rows, strict=True)
    ]


SETTINGS = Settings()
GAP_US = int(SETTINGS.span_gap_s * 1e6)


def add_rows(rows: tuple[list[Any], list[Any], list[Any]], s: Session, coverage: float, outcome: Outcome) -> None:
    base = {"kind": s.kind, "start_t": s.start, "end_t": s.end}
    rows[0].append({"vehicle": s.vehicle, **base, "coverage": coverage})
    for m in outcome.metrics:
        row = {"name": m.name, "item": m.item, "value": m.value, "unit": m.unit, "se": m.se, "n": m.n}
        rows[1].append({**base, **row, "coverage": m.coverage})
    for e in outcome.events:
        data = [{"key": k, "value": float(v)} for k, v in e.data.items()]
        row = {"kind": e.kind, "item": e.item, "start_t": e.start, "end_t": e.end, "data": data}
        rows[2].append({"session_start_t": s.start, **row})


def typed(rows: list[Any], schema: Any) -> pl.DataFrame:
    times = {n for n, t in schema.items() if isinstance(t, pl.Datetime)}
    raw = {n: pl.Int64 if n in times else t for n, t in schema.items()}
    return pl.DataFrame(rows, schema=raw, orient="row").with_columns(pl.col(n).cast(schema[n]) for n in times)
