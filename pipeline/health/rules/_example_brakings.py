"""Invented brakings for the braking rules' own cases."""

from __future__ import annotations

from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.health.rules._judged_brakings import PARTS
from herdbook.pipeline.vehicle.record import Event, Metric


def braked(*brakings: dict[str, float]) -> Record:
    """One ride of brakings two minutes apart, two seconds each: 20 A asked and given, unless said otherwise.

    NaN stands for a key the event does not have.
    """
    usual = {
        "demand_pct": 50.0,
        "demand_a": 20.0,
        "allowed_a": 40.0,
        "delivered_a": 20.0,
        "ratio": 1.0,
        "settled_s": 1.5,
        "short_a": 0.0,
        "soc_pct": 60.0,
        "cell_min_c": 20.0,
        "speed_start_ms": 6.0,
        "response_s": 0.15,
    } | {f"short_{p}_a": 0.0 for p in PARTS}
    events = []
    for i, braking in enumerate(brakings, start=1):
        data = {k: v for k, v in (usual | braking).items() if v == v}
        events.append(Event("braking", i * 120_000_000, i * 120_000_000 + 2_000_000, "", data))
    names = ("braking_count", "braking_judged_count", "braking_sided_count")
    counted = [Metric(name, len(events), "1") for name in names]
    return record(one_session(0, "ride", *counted, *events, hours=0.1 + len(events) / 30))


def refused(part: str, given: float = 0.0, **more: float) -> dict[str, float]:
    """A braking of twenty amperes asked, `given` delivered, the shortfall of one cause."""
    short = max(20.0 - given - 1.6, 0.0)
    return {"delivered_a": given, "ratio": given / 20.0, "short_a": short, f"short_{part}_a": short} | more
