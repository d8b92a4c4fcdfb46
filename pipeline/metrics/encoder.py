"""Speed of a motor lost for moments: the encoder or its wire.

Event "encoder_dropout" (item: the side). Data: lasted_s, speed_rpm (what the other side or the wheel says).
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.motors import motors_of
from herdbook.pipeline.science.stretches import means, stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST_RPM = 300.0  # of the reference: slower, a loss cannot be told from standing
SLOWEST_RPM, SLOW_SHARE = 30.0, 0.25  # a motor in the hub never turns so fast: a quarter of its usual highest then
LOST_SHARE = 0.3
LEAST_S = 0.08
PAUSE_S = 0.4
IMPLAUSIBLE = 1.4  # times the reference


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    metrics: list[Metric] = []
    events: list[Event] = []
    for side in motors_of(signals, profile.drive_figures.motors):
        s = signals.series("motor_speed", side)
        if len(s) < 10:
            continue
        reference = _reference(signals, s.t, side, profile)
        own = np.abs(s.v)
        with np.errstate(invalid="ignore"):
            moving = reference > _least(reference)
            lost = moving & (own < LOST_SHARE * reference)
            wild = moving & (own > IMPLAUSIBLE * reference)
        n = int(np.count_nonzero(moving))
        moving_s = float(n) * signals.step_us(s) / 1e6
        runs = stretches(s.t, lost, PAUSE_S, join_s=0.1, least_s=LEAST_S, least_n=2)
        metrics += [
            Metric("encoder_watched_h", moving_s / 3600.0, "h", n=n, item=side),
            Metric("encoder_dropout_count", float(len(runs)), "1", n=n, item=side),
        ]
        if n:
            metrics.append(Metric("speed_implausible_share", float(np.count_nonzero(wild) / n), "1", n=n, item=side))
        rpm, length = means(reference, runs), runs.lengths_s(s.t)
        events += [
            Event("encoder_dropout", int(a), int(b), side, {"lasted_s": float(d), "speed_rpm": float(r)})
            for a, b, d, r in zip(s.t[runs.first], s.t[runs.last], length, rpm, strict=True)
        ]
    return Outcome(tuple(metrics), tuple(events))


def _least(reference: Floats) -> float:
    known = reference[np.isfinite(reference)]
    usual = float(np.percentile(known, 95.0)) if known.size else LEAST_RPM
    return max(SLOWEST_RPM, min(LEAST_RPM, SLOW_SHARE * usual))


def _reference(signals: Signals, t: Times, side: str, profile: Profile) -> Floats:
    """Speed in rpm, without its sign, this motor should have: by the wheel where the profile gives gear and wheel, and
    by the other motors; where both are known they must agree within a quarter, else NaN (a locked wheel)."""
    motors = motors_of(signals, profile.drive_figures.motors)
    others = [signals.at(t, "motor_speed", m, hold_s=PAUSE_S) for m in motors if m != side]
    other = others[0] if len(others) == 1 else _middle(others, t)
    gear, wheel = profile.drive_figures.gear or np.nan, profile.drive_figures.wheel_m or np.nan
    road = signals.at(t, "vehicle_speed", hold_s=PAUSE_S) * gear / (np.pi * wheel) * 60.0
    with np.errstate(invalid="ignore"):
        agree = np.abs(other - road) <= 0.25 * np.abs(road)
    known = np.isfinite(road)
    out = np.where(known, road, other)
    out[known & ~agree & np.isfinite(other)] = np.nan
    return np.asarray(np.abs(out))


def _middle(others: list[Floats], t: Times) -> Floats:
    known = [np.abs(other) for other in others if np.isfinite(other).any()]
    return np.asarray(np.nanmedian(known, axis=0)) if known else np.full(t.shape, np.nan)


SET = MetricSet(
    id="encoder",
    subject=Subject.DRIVE,
    needs=("motor_speed",),
    kinds=("ride", "bench"),
    compute=compute,
    gives={
        "encoder_watched_h": ("h", "Time at speed in which a loss would have shown."),
        "encoder_dropout_count": (
            "1",
            "Losses of the motor's speed for at least 0.08 s, the vehicle moving.",
        ),
        "speed_implausible_share": ("1", "Share of samples far faster than the wheel and the other motor."),
    },
    source="definitions: this file; thresholds: engineering choice",
    version=3,  # one motor by the name of a side; in 2 two readings may tell a loss, and slow motors are watched
)
