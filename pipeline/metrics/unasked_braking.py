"""Braking that nobody asked for: the motors brake with the brake released.

Event "unasked_braking". Data: lasted_s, current_a (largest braking current of both motors, mean), speed_ms,
throttle_pct (mean). The first second after a braking belongs to it and is left out.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.stretches import means, owner, stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST_A, SHARE = 6.0, 0.1  # braking current per motor, and share of the largest: above drag at zero current
LEAST_MS = 1.5
LEAST_S = 0.5
AFTER_S = 1.0
PAUSE_S = 0.4


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    sides = signals.items("motor_current")
    densest = max((signals.series("motor_current", side) for side in sides), key=len)
    t = densest.t
    brake: Floats = np.full(t.shape, np.nan)
    for side in sides:
        brake = np.fmax(brake, -signals.at(t, "motor_current", side, PAUSE_S))
    limit = max(LEAST_A, SHARE * profile.drive_figures.max_motor_a)
    with np.errstate(invalid="ignore"):
        hard = np.flatnonzero(brake > limit)
    at = t[hard]
    now, before = (signals.at(x, "brake_demand", hold_s=PAUSE_S) for x in (at, at - int(AFTER_S * 1e6)))
    halfway = signals.at(at - int(0.5 * AFTER_S * 1e6), "brake_demand", hold_s=PAUSE_S)
    with np.errstate(invalid="ignore"):
        free = (now <= 0) & (before <= 0) & (halfway <= 0) & (signals.at(at, "vehicle_speed", hold_s=1.0) > LEAST_MS)
    on = np.zeros(t.shape, bool)
    on[hard] = free
    held = stretches(t, brake > limit, PAUSE_S)  # one that began while it was asked for is still on its way down
    asked = owner(held, t.size)
    began = np.append(on[held.first], False)
    on &= began[asked]
    runs = stretches(t, on, PAUSE_S, join_s=0.2, least_s=LEAST_S, least_n=4)
    watched = _watched(signals, t[::25], brake[::25]) * 25
    step = signals.step_us(densest) / 1e6 if t.size > 1 else 0.0
    metrics = (
        Metric("unasked_braking_count", float(len(runs)), "1", n=watched),
        Metric("unasked_watched_h", watched * step / 3600.0, "h", n=watched),
    )
    speed = signals.at(t, "vehicle_speed", hold_s=1.0) if len(runs) else np.full(t.shape, np.nan)
    throttle = signals.at(t, "throttle", hold_s=PAUSE_S) if len(runs) else np.full(t.shape, np.nan)
    table = {
        "lasted_s": runs.lengths_s(t),
        "current_a": means(brake, runs),
        "speed_ms": means(speed, runs),
        "throttle_pct": means(throttle, runs),
    }
    events = tuple(
        Event("unasked_braking", int(t[a]), int(t[b]), "", {k: float(v[i]) for k, v in table.items() if v[i] == v[i]})
        for i, (a, b) in enumerate(zip(runs.first, runs.last, strict=True))
    )
    return Outcome(metrics, events)


def _watched(signals: Signals, t: Times, brake: Floats) -> int:
    """How many of these samples would have shown one: moving, with current and demand known."""
    demand = signals.at(t, "brake_demand", hold_s=PAUSE_S)
    speed = signals.at(t, "vehicle_speed", hold_s=1.0)
    return int((np.isfinite(brake) & np.isfinite(demand) & (np.nan_to_num(speed) > LEAST_MS)).sum())


SET = MetricSet(
    id="unasked_braking",
    subject=Subject.BRAKING,
    needs=("motor_current", "brake_demand", "vehicle_speed"),
    kinds=("ride", "bench"),
    compute=compute,
    gives={
        "unasked_braking_count": ("1", "Stretches of half a second and more with braking current and no demand."),
        "unasked_watched_h": ("h", "Time at speed in which one would have shown."),
    },
    source="definition: this file",
    version=2,
)
