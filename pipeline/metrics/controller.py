"""Restarts of the controller, and fault bits of controller and motors.

Event "reset" (item "controller"): uptime fell. Data: uptime_before_s, voltage_v (lowest pack voltage in the three
seconds before), speed_ms, silent_s and cycle_s. Its span is from the last frame before to the first after, of the
message that the controller sends most often: its uptime may be told once a second, in which a silence of one second is
two. silent_s is that span less half of that message's cycle, cycle_s, and known no better than to one cycle. Event
"fault_bits" (item "controller" or the motor). Data: bits (all seen, joined), lasted_s, speed_ms.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.stretches import Stretches, extremes, held_s, stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals

LEAST_BACK_S = 1.0  # uptime must fall by more than its own steps and jitter
SILENT_CYCLES = 3.0  # without a frame: two may be lost on the bus (engineering choice)
# what a motor controller sends by itself; a message that goes on through the restart is another's
SENT = (
    "motor_current",
    "motor_speed",
    "regen_current",
    "regen_allowed",
    "regen_demand",
    "dc_link_voltage",
    "derate",
    "motor_fault",
    "controller_fault",
)
JOIN_S = 5.0  # one fault that flickers is one fault


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    metrics, events = _resets(signals)
    sources = [("controller", "controller_fault", "")]
    sources += [(str(motor), "motor_fault", str(motor)) for motor in signals.items("motor_fault")]
    for item, role, index in sources:
        s = signals.series(role, index)
        if not len(s):
            continue
        with np.errstate(invalid="ignore"):
            runs = stretches(s.t, s.v > 0, 3.0, JOIN_S, least_n=2)
        lasted = runs.lengths_s(s.t)
        metrics.append(Metric("fault_count", float(len(runs)), "1", n=len(s), item=item))
        metrics.append(Metric("fault_s", float(lasted.sum()), "s", n=len(runs), item=item))
        speed = signals.at(s.t[runs.first], "vehicle_speed", hold_s=2.0)
        for i, (a, b) in enumerate(zip(runs.first, runs.last, strict=True)):
            data = {"bits": float(_joined(s, int(a), int(b))), "lasted_s": float(lasted[i])}
            if speed[i] == speed[i]:
                data["speed_ms"] = float(speed[i])
            events.append(Event("fault_bits", int(s.t[a]), int(s.t[b]), item, data))
    return Outcome(tuple(metrics), tuple(events))


def _joined(s: Series, first: int, last: int) -> int:
    values = np.unique(s.v[first : last + 1])
    return int(np.bitwise_or.reduce(values[np.isfinite(values)].astype(np.int64)))


def _resets(signals: Signals) -> tuple[list[Metric], list[Event]]:
    s = signals.series("controller_uptime")
    if len(s) < 3:
        return [], []
    back = np.flatnonzero(np.diff(s.v) < -LEAST_BACK_S) + 1
    # the counter must run on from its new value: a single wrong sample falls and jumps up again
    follow = np.minimum(back + 1, len(s) - 1)
    real = (follow > back) & (s.v[follow] >= s.v[back]) & (s.v[follow] < s.v[back - 1])
    back = back[real]
    seen = float(held_s(s.t, 5.0).sum()) / 3600.0
    metrics = [
        Metric("reset_count", float(back.size), "1", n=len(s)),
        Metric("controller_watched_h", seen, "h", n=len(s)),
    ]
    lowest = _lowest_before(signals, s.t[back - 1])
    speed = signals.at(s.t[back - 1], "vehicle_speed", hold_s=2.0)
    events = []
    for i, k in enumerate(back):
        start, end, cycle = _silence(signals, s, int(k))
        data = {"uptime_before_s": float(s.v[k - 1]), "voltage_v": float(lowest[i]), "speed_ms": float(speed[i])}
        data |= {"silent_s": max((end - start) / 1e6 - 0.5 * cycle, 0.0), "cycle_s": cycle}
        data = {name: v for name, v in data.items() if v == v}
        events.append(Event("reset", start, end, "controller", data))
    return metrics, events


def _silence(signals: Signals, uptime: Series, k: int) -> tuple[int, int, float]:
    """Last frame before a restart and first after, of the controller's densest message that fell silent, and its cycle
    [s]. uptime fell back at its sample k."""
    first, last = int(uptime.t[k - 1]), int(uptime.t[k])
    best = first, last, signals.step_us(uptime) / 1e6
    for role in SENT:
        for item in signals.items(role):
            t = signals.series(role, item).t
            cycle = signals.step_us(Series(t, t.astype(np.float64))) / 1e6
            # the frame before the last uptime's next may have come still, and others before the first new uptime
            near = t[(t >= first - int(2e6 * cycle)) & (t <= last + int(2e6 * cycle))]
            if near.size < 2 or not cycle < best[2]:
                continue
            widest = int(np.argmax(np.diff(near)))
            start, end = int(near[widest]), int(near[widest + 1])
            if end - start >= SILENT_CYCLES * cycle * 1e6:
                best = start, end, cycle
    return best


def _lowest_before(signals: Signals, t: Times) -> Floats:
    volts = signals.series("pack_voltage")
    if not len(volts) or not t.size:
        return np.full(t.shape, np.nan)
    first = np.searchsorted(volts.t, t - 3_000_000, side="left")
    last = np.searchsorted(volts.t, t, side="right") - 1
    ok = last >= first
    found = extremes(volts.v, Stretches(np.where(ok, first, 0), np.where(ok, last, 0)), largest=False)
    return np.where(ok, found, np.nan)


SET = MetricSet(
    id="controller",
    subject=Subject.DRIVE,
    needs=(),
    kinds=("ride", "charge", "bench"),
    compute=compute,
    gives={
        "reset_count": ("1", "Restarts of the controller, from its uptime falling back."),
        "controller_watched_h": ("h", "Time in which a restart would have shown."),
        "fault_count": ("1", "Stretches with fault bits set, five seconds apart or more."),
        "fault_s": ("s", "Time with fault bits set."),
    },
    source="definitions: this file",
    version=2,  # silence by the densest message
)
