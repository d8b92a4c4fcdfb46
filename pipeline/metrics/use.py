"""How the vehicle was used: trips, distance, speed, charging, and the state it was left in."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.least_margin import scatter
from herdbook.pipeline.science.stretches import held_s, median_of_five
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals

PAUSE_S = 2.0
MOVING_MS = 0.3
CHARGING_A = 0.3


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    out: list[Metric] = [Metric("session_h", (session.end - session.start) / 3.6e9, "h")]
    if session.kind in ("ride", "bench"):
        out += _travel(signals.series("vehicle_speed")) + _odometer(signals.series("odometer"))
    current = signals.series("pack_current")
    if session.kind == "charge" and len(current) >= 3:
        dt = held_s(current.t, 15.0)
        with np.errstate(invalid="ignore"):
            hours = float(dt[current.v < -CHARGING_A].sum()) / 3600.0
        out.append(Metric("charging_h", hours, "h", n=len(current)))
    return Outcome(tuple(out))


def _travel(s: Series) -> list[Metric]:
    if len(s) < 3:
        return []
    dt = held_s(s.t, PAUSE_S)
    speed = np.abs(np.nan_to_num(s.v))
    whole = (s.t[-1] - s.t[0]) / 1e6
    covered = float(dt.sum()) / whole if whole > 0 else 0.0
    step = np.diff(s.t) / 1e6
    middle = 0.5 * (speed[1:] + speed[:-1])
    km = float((middle * step)[step <= PAUSE_S].sum()) / 1000.0
    out = [
        Metric("distance_km", km, "km", n=len(s), coverage=covered),
        Metric("moving_h", float(dt[speed > MOVING_MS].sum()) / 3600.0, "h", n=len(s), coverage=covered),
    ]
    if len(s) >= 5:
        steady = median_of_five(speed)
        k = int(steady.argmax())
        se = scatter(speed, k + 2)  # that of a middle of three: a little more than of five
        out.append(Metric("top_speed_kmh", float(steady[k]) * 3.6, "km/h", se=se * 3.6, n=len(s), coverage=covered))
    return out


def _odometer(s: Series) -> list[Metric]:
    v = s.v[np.isfinite(s.v)]
    if v.size < 2:
        return []
    step = np.diff(v)
    out = [
        Metric("odometer_start_km", float(v[0]), "km", n=int(v.size)),
        Metric("odometer_end_km", float(v[-1]), "km", n=int(v.size)),
        Metric("odometer_distance_km", float(step[step > 0].sum()), "km", n=int(v.size)),
    ]
    if (step < 0).any():
        out.append(Metric("odometer_back_km", float(-step[step < 0].sum()), "km", n=int((step < 0).sum())))
    return out


SET = MetricSet(
    id="use",
    subject=Subject.USE,
    needs=(),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "session_h": ("h", "Length of the session."),
        "distance_km": ("km", "Distance from the speed; pauses over 2 s carry none."),
        "moving_h": ("h", "Time moving."),
        "top_speed_kmh": ("km/h", "Highest speed, median of five samples."),
        "odometer_start_km": ("km", "Distance counter at the start."),
        "odometer_end_km": ("km", "Distance counter at the end."),
        "odometer_distance_km": ("km", "Forward steps of the distance counter, summed."),
        "odometer_back_km": ("km", "Backward steps of the distance counter, summed; absent when there is none."),
        "charging_h": ("h", "Time with charge current."),
    },
    source="definitions: this file",
)
