"""Does drive torque end when the trigger is let go? The most severe question of all.

Event "torque_after_release": torque stays on with the trigger released. Data: lasted_s (from the release), current_a
(largest of both motors), speed_ms, age_ms (of the newest remote packet: a lost link looks like a release).
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.stretches import Stretches, extremes, first_where, stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST_A = 5.0  # torque current under this moves nobody; engineering choice
SHARE = 0.05  # or this share of the largest
WATCH_S = 5.0  # how long after a release torque is looked for
PAUSE_S = 0.3


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    trigger = signals.series("trigger")
    released = stretches(trigger.t, trigger.v < 0.5, PAUSE_S, least_s=0.2, least_n=3)
    before = np.maximum(released.first - 1, 0)
    known = (released.first > 0) & (trigger.v[before] >= 0.5)
    known &= trigger.t[released.first] - trigger.t[before] <= PAUSE_S * 1e6
    released = released.keep(known)
    n = len(released)
    out = [Metric("release_count", float(n), "1", n=n)]
    if not n:
        return Outcome(tuple(out))
    densest = max((signals.series("motor_current", i) for i in signals.items("motor_current")), key=len)
    t, cycle = densest.t, signals.step_us(densest) / 1e6
    current = _largest(signals, t)
    off_at = trigger.t[released.first]
    ends = np.minimum(trigger.t[released.last], off_at + int(WATCH_S * 1e6))
    lasted = _lasting(t, current, off_at, ends, profile)
    timed = np.isfinite(lasted)
    if not timed.any():
        return Outcome(tuple(out))
    timeout = profile.drive_figures.trigger_timeout_ms / 1000.0
    out.append(Metric("release_timed_count", float(timed.sum()), "1", n=n))
    out.append(Metric("release_to_zero_s", float(np.nanmax(lasted)), "s", cycle, int(timed.sum())))
    late = np.flatnonzero(timed & (lasted - cycle > timeout))
    speed = signals.at(off_at, "vehicle_speed", hold_s=1.0)
    events = []
    for i in late:
        end = int(off_at[i] + lasted[i] * 1e6)
        inside = (t >= off_at[i]) & (t <= end)
        data = {"lasted_s": float(lasted[i]), "current_a": float(np.nanmax(current[inside]))}
        age = signals.at(off_at[i : i + 1], "packet_age", hold_s=0.5)[0]
        data |= {k: float(v) for k, v in (("speed_ms", speed[i]), ("age_ms", age)) if v == v}
        events.append(Event("torque_after_release", int(off_at[i]), end, "", data))
    return Outcome(tuple(out), tuple(events))


def _largest(signals: Signals, t: Times) -> Floats:
    """Larger driving current of both motors at each t."""
    out = np.full(t.shape, np.nan)
    for item in signals.items("motor_current"):
        out = np.fmax(out, signals.at(t, "motor_current", item, hold_s=PAUSE_S))
    return np.asarray(out)


def _lasting(
    t: Times,
    current: Floats,
    off_at: Times,
    ends: Times,
    profile: Profile,
) -> Floats:
    """Seconds from each release until the current is under the limit; NaN where fewer than three samples
    tell, or the trigger is pulled again first."""
    limit = max(LEAST_A, SHARE * profile.drive_figures.max_motor_a)
    first = np.searchsorted(t, off_at, side="left")
    last = np.searchsorted(t, ends, side="right") - 1
    known = last - first >= 2
    spans = Stretches(np.where(known, first, 0), np.where(known, last, 0))
    with np.errstate(invalid="ignore"):
        quiet = first_where(~(current >= limit), spans)  # an unknown current proves no torque
    whole = known & np.isfinite(extremes(current, spans))
    lasted = np.where(quiet >= 0, (t[quiet] - off_at) / 1e6, (ends - off_at) / 1e6)
    return np.where(whole, lasted, np.nan)


SET = MetricSet(
    id="torque_release",
    subject=Subject.BRAKING,
    needs=("trigger", "motor_current"),
    kinds=("ride", "bench"),
    compute=compute,
    gives={
        "release_count": ("1", "Times the trigger was released."),
        "release_timed_count": ("1", "Releases after which the motor current is known."),
        "release_to_zero_s": ("s", "Longest time from a release to no drive torque; its error is one cycle."),
    },
    source="time-outs of drive commands of 100 to 250 ms: common practice; the profile's trigger_timeout_ms wins",
)
