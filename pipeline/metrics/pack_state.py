"""What the battery management system says of itself: fault bits, and its main switch opening under load."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Indices, Times
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.pulses import mean_between
from herdbook.pipeline.science.stretches import stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Series, Signals

GAP_S = 10.0
CONTACTOR, MODES = ROLES["contactor_state"].states, ROLES["bms_state"].states
LEAST_FRAMES = 3
LOAD_C = 0.1  # an opening at less than a tenth of the rated rate is no load (engineering choice)
GONE = 0.3  # of what flowed: less is left once it is cut; a sensor's zero and a charging link stay under it
MOST_EVENTS = 50


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    faults, fault_events = _faults(signals)
    opened, opened_events = _openings(signals, profile.pack_figures.rated_ah)
    return Outcome((*faults, *opened), (*fault_events[:MOST_EVENTS], *opened_events[:MOST_EVENTS]))


def _faults(signals: Signals) -> tuple[list[Metric], list[Event]]:
    """Each bit apart; a bit must stand in three frames running."""
    series = signals.series("bms_fault")
    known = np.isfinite(series.v)
    if known.sum() < LEAST_FRAMES:
        return [], []
    t, bits = series.t[known], series.v[known].astype(np.int64)
    events: list[Event] = []
    ever = int(np.bitwise_or.reduce(bits))
    total = 0.0
    for bit in range(32):
        if ever >> bit & 1:
            runs = stretches(t, (bits >> bit & 1).astype(bool), gap_s=GAP_S, join_s=2.0, least_n=LEAST_FRAMES)
            seconds = runs.lengths_s(t)
            total += float(seconds.sum())
            for j in range(len(runs)):
                span = int(t[runs.first[j]]), int(t[runs.last[j]])
                events.append(Event("bms_fault", *span, f"bit {bit}", {"duration_s": float(seconds[j])}))
    return [Metric("bms_fault_s", total, "s", None, t.size)], events


def _openings(signals: Signals, rated: float) -> tuple[list[Metric], list[Event]]:
    """Moments at which the switch left `closed` while current flowed until the very end.

    The state is told once a cycle, so that the switch opened some time within the last one: what counts is the current
    that flowed in it and is gone afterwards, not a mean over a second in which it may have risen from nothing."""
    told = signals.has("contactor_state")
    state = signals.series("contactor_state" if told else "bms_state")
    known = np.isfinite(state.v)
    t, v = state.t[known], state.v[known]
    current = signals.series("pack_current")
    if t.size < LEAST_FRAMES or len(current) < LEAST_FRAMES:
        return [], []
    # a bus without the switch's state tells that the electronics gave up: with the current gone, the same
    off = CONTACTOR.index("fault") if told else MODES.index("fault")
    closed = v == CONTACTOR.index("closed") if told else (v != off) & (v != MODES.index("sleep"))
    left = np.flatnonzero(closed[:-1] & ~closed[1:] & (np.diff(t) < GAP_S * 1e6)) + 1
    cycle = int(signals.step_us(current))
    before = _last_flow(current, t[left - 1] - cycle, t[left])
    after = mean_between(current.t, current.v, t[left] + cycle, np.maximum(t[left] + cycle, _closes(t, closed, left)))
    with np.errstate(invalid="ignore"):
        cut = np.abs(after) < GONE * np.abs(before)
        # One odd frame in the middle of a ride is a bad frame, not an opening, unless the current is gone as well.
        stays = ~closed[np.minimum(left + 1, t.size - 1)] & ~closed[np.minimum(left + 2, t.size - 1)]
        real = cut | (stays & told)
        loaded = real & (np.abs(before) > LOAD_C * rated) & ~(np.abs(after) >= GONE * np.abs(before))
    fault = v[left] == off
    speed = signals.at(t[left - 1], "vehicle_speed", hold_s=2.0)
    events = []
    for j in np.flatnonzero(loaded):
        data = {"before_a": float(before[j]), "fault": float(fault[j]), "after_a": float(after[j])}
        data |= {"speed_ms": float(speed[j])} | ({} if told else {"by_mode": 1.0})
        data = {k: x for k, x in data.items() if np.isfinite(x)}
        span = int(t[left[j]]) - 1_000_000, int(t[left[j]]) + 2_000_000
        events.append(Event("contactor_opened_loaded", *span, "", data))
    return [
        Metric("contactor_openings", float(real.sum()), "1", None, t.size),
        Metric("contactor_opened_loaded", float(len(events)), "1", None, t.size),
    ], events


def _last_flow(current: Series, first: Times, last: Times) -> Floats:
    """The strongest current of the last two readings that flowed between first and last, with its sign: a reading
    taken when it was gone already says nothing."""
    out = np.full(first.shape, np.nan)
    for j, (a, b) in enumerate(zip(first, last, strict=True)):
        inside = slice(*np.searchsorted(current.t, (a, b), side="right"))
        amps = current.v[inside]
        amps = amps[np.isfinite(amps)]
        if amps.size:
            size = np.abs(amps)
            flows = np.flatnonzero(size >= GONE * size.max())[-2:]
            out[j] = amps[flows[np.argmin(size[flows])]]
    return out


def _closes(t: Times, closed: Bools, left: Indices) -> Times:
    """When the switch is seen closed again, or two seconds later."""
    again = np.append(np.flatnonzero(closed), -1)
    at = again[np.searchsorted(again[:-1], left)]
    return np.asarray(np.where(at < 0, t[left] + 2_000_000, np.minimum(t[at], t[left] + 2_000_000)))


SET = MetricSet(
    id="pack_state",
    subject=Subject.PACK,
    needs=("pack_current",),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "bms_fault_s": ("s", "Time with fault bits set, summed over bits; a bit counts from three frames on"),
        "contactor_openings": ("1", "Times the main switch left the closed state"),
        "contactor_opened_loaded": ("1", "Times it did while current still flowed"),
    },
    source="states and bits as the bus reports them",
    version=3,
)
