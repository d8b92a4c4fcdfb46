"""Does drive torque end when the trigger is let go? The most severe question of all.

Event "torque_after_release": torque stays on with the trigger released. Data: lasted_s (from the release), sure_s (to
the last sample that still showed it; the trigger was let go before it was seen to be, so that its cycle only adds),
current_a (largest of one motor), force_n (of all at the road, where the profile tells), speed_ms, age_ms (of the newest
remote packet: a lost link looks like a release). Torque that stays on with less than FADED of what flowed as the
trigger was let go is not told, however long it lasts: in its first moments a ramp looks the same.
"""

from __future__ import annotations

import math

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.frozen_sensor import resolution
from herdbook.pipeline.metrics.shared.road_vehicle import road_vehicle
from herdbook.pipeline.science.road import GRAVITY
from herdbook.pipeline.science.stretches import Stretches, extremes, first_where, owner, stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST_A = 5.0  # of all motors, where the profile does not tell what moves the vehicle; engineering choice
SHARE = 0.05  # or this share of the largest of one motor
ROLLING_SHARE = 0.5  # of the force that rolling on the level takes: on a slope of one per cent it drives on with less
STEPS = 3.0  # and at least so many steps of the reading a motor, else it is noise
LARGEST_STEP_A = 1.0  # a reading seldom seen between its ends shows no step; engineering choice
FADED = 0.25  # of what flowed as the trigger was let go: ramps and filters pass it soon (engineering choice)
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
    both = cycle + signals.step_us(trigger) / 1e6
    largest, current = _driving(signals, t)
    limit = _limit(signals, profile)
    off_at = trigger.t[released.first]
    ends = np.minimum(trigger.t[released.last], off_at + int(WATCH_S * 1e6))
    timeout = profile.drive_figures.trigger_timeout_ms / 1000.0
    lasted = _lasting(t, current, off_at, ends, limit=limit, soon_s=timeout + both)
    timed = np.isfinite(lasted)
    if not timed.any():
        return Outcome(tuple(out))
    out.append(Metric("release_timed_count", float(timed.sum()), "1", n=n))
    out.append(Metric("release_to_zero_s", float(np.nanmax(lasted)), "s", cycle, int(timed.sum())))
    late = np.flatnonzero(timed & (lasted - cycle > timeout))
    speed = signals.at(off_at, "vehicle_speed", hold_s=1.0)
    events = []
    for i in late:
        end = int(off_at[i] + lasted[i] * 1e6)
        inside = (t >= off_at[i]) & (t <= end)
        data = {
            "lasted_s": float(lasted[i]),
            "sure_s": max(float(lasted[i]) - cycle, 0.0),
            "current_a": float(np.nanmax(largest[inside])),
            "force_n": float(np.nanmedian(current[inside])) * road_vehicle(profile).newton_per_a,
        }
        age = signals.at(off_at[i : i + 1], "packet_age", hold_s=0.5)[0]
        data |= {"speed_ms": float(speed[i]), "age_ms": float(age)}
        data = {k: v for k, v in data.items() if v == v}
        events.append(Event("torque_after_release", int(off_at[i]), end, "", data))
    return Outcome(tuple(out), tuple(events))


def _driving(signals: Signals, t: Times) -> tuple[Floats, Floats]:
    """Larger driving current of the motors, and the sum of all, at each t."""
    sides = [signals.at(t, "motor_current", item, hold_s=PAUSE_S) for item in signals.items("motor_current")]
    known = np.isfinite(sides).any(axis=0)
    return np.fmax.reduce(sides), np.where(known, np.nansum(sides, axis=0), np.nan)


def _limit(signals: Signals, profile: Profile) -> float:
    """Torque current of all motors together from which the vehicle drives on."""
    car = road_vehicle(profile)
    needed = ROLLING_SHARE * car.mass_kg * GRAVITY * car.rolling / car.newton_per_a
    if math.isnan(needed):
        needed = max(LEAST_A, SHARE * profile.drive_figures.max_motor_a)
    steps = (resolution(signals.series("motor_current", item)) for item in signals.items("motor_current"))
    return max(needed, STEPS * sum(min(step, LARGEST_STEP_A) for step in steps))


def _lasting(
    t: Times,
    current: Floats,
    off_at: Times,
    ends: Times,
    limit: float,
    soon_s: float,
) -> Floats:
    """Seconds from each release until the current is under the limit. NaN where fewer than three samples tell, or the
    trigger is pulled again within soon_s and before that: such a release shows neither that torque ends nor that it
    stays."""
    first = np.searchsorted(t, off_at, side="left")
    last = np.searchsorted(t, ends, side="right") - 1
    known = last - first >= 2
    spans = Stretches(np.where(known, first, 0), np.where(known, last, 0))
    # what fades as it should passes the limit late when much flowed: what stays on does not fade
    before = current[np.maximum(first - 1, 0)]
    needed = np.fmax(limit, FADED * np.where(np.isfinite(before), before, 0.0))
    with np.errstate(invalid="ignore"):
        quiet = first_where(~(current >= needed[owner(spans, t.size)]), spans)  # an unknown current proves no torque
    whole = known & np.isfinite(extremes(current, spans))
    watched = (ends - off_at) / 1e6
    again = (quiet < 0) & (watched < min(soon_s, WATCH_S))
    return np.where(whole & ~again, np.where(quiet >= 0, (t[quiet] - off_at) / 1e6, watched), np.nan)


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
    version=4,  # torque lasted at least to the last sample that showed it
)
