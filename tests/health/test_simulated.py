"""Simulated rides with one large fault each: the right rule speaks, no other does, and sound vehicles stay quiet.

The simulator's physics (demo_logs) shares no code with metrics and rules.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from demo_logs.simulator import Fault, Outing, Vehicle, signals_of
from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.metrics import measure
from herdbook.pipeline.metrics.set import Outcome
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from herdbook.pipeline.vehicle.record import EVENTS, METRICS, REFERENCE, SESSIONS, Session

START, DAY = 1_772_352_000_000_000, 86_400_000_000
FAULTS = {
    "sound": (None, set()),
    "sound too": (None, set()),
    "refused": (Fault("regen_refused_unexplained", 0.7, 0), {"regen_refused_unexplained"}),
    "weak": (Fault("regen_weak", 0.4, 0), {"regen_weak"}),
    "late": (Fault("regen_late", 700.0, 0), {"regen_late"}),
    "one-sided": (Fault("regen_one_sided", 0.6, 0, "left"), {"regen_one_sided"}),
    "lost": (Fault("regen_dropout", 0.6, 0), {"regen_dropout"}),
    "release": (Fault("torque_after_release", 1200.0, 0), {"torque_after_release"}),
    "encoder": (Fault("encoder_dropout", 90.0, 0, "right"), {"encoder_dropout"}),
    "link": (Fault("link_loss", 90.0, 0), {"link_loss"}),
    "open": (Fault("temp_open", 1.0, 0, 2), {"temp_sensor_fault"}),
    "short": (Fault("temp_short", 1.0, 0, 1), {"temp_sensor_fault"}),
}
MINE = ("thermal", "braking", "drive", "remote link", "data")


def at(t: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=t)


def record(profile: Profile, parts: list[tuple[Session, Outcome]]) -> Record:
    sessions = [(s.vehicle, s.kind, at(s.start), at(s.end), 1.0) for s, _ in parts]
    metrics = [
        (s.kind, at(s.start), at(s.end), m.name, m.item, m.value, m.unit, m.se, m.n, m.coverage)
        for s, outcome in parts
        for m in outcome.metrics
    ]
    events = [
        (at(s.start), e.kind, e.item, at(e.start), at(e.end), [{"key": k, "value": v} for k, v in e.data.items()])
        for s, outcome in parts
        for e in outcome.events
    ]
    return Record(
        parts[0][0].vehicle,
        profile,
        pl.DataFrame(sessions, schema=SESSIONS, orient="row"),
        pl.DataFrame(metrics, schema=METRICS, orient="row"),
        pl.DataFrame(events, schema=EVENTS, orient="row"),
        pl.DataFrame(schema=REFERENCE),
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", ["zirbel", "saumer"])
def test_the_right_rule_speaks_and_no_other(name: str) -> None:
    profile = load_profile(Path("dbc_demo") / f"{name}.toml")
    units = [Vehicle(who, profile, 40 + i, (f,) if f else ()) for i, (who, (f, _)) in enumerate(FAULTS.items())]
    plan = [Outing("ride", START + k * DAY, 5.0, soc_pct=80.0 - 8 * k) for k in range(3)]
    rides: dict[str, list[tuple[Session, Outcome]]] = {u.name: [] for u in units}
    for session, signals in signals_of(units, plan):
        rides[session.vehicle].append((session, measure(session, signals, profile)))
    said = {}
    for who, parts in rides.items():
        verdict = judge(record(profile, parts))
        mine = [j for j in verdict.findings if j.rule.subsystem in MINE and j.finding.severity != "note"]
        said[who] = {j.rule.id for j in mine}
    assert said == {who: rules for who, (_, rules) in FAULTS.items()}
