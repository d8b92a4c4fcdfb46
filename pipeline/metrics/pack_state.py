"""What the battery management system says of itself: fault bits, and its main switch opening under load."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.pulses import mean_between
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.science.stretches import stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Signals

GAP_S = 10.0
CONTACTOR = ROLES["contactor_state"].states
LEAST_FRAMES = 3
LOAD_C = 0.1  # an opening at less than a tenth of the rated rate is no load (engineering choice)
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
    """Moments at which the switch left `closed` while current flowed until the very end."""
    state = signals.series("contactor_state")
    known = np.isfinite(state.v)
    t, v = state.t[known], state.v[known]
    if t.size < LEAST_FRAMES or not signals.has("pack_current"):
        return [], []
    closed = v == CONTACTOR.index("closed")
    left = np.flatnonzero(closed[:-1] & ~closed[1:] & (np.diff(t) < GAP_S * 1e6)) + 1
    # Stayed open: one odd frame in the middle of a ride is a bad frame, not an opening.
    left = left[left + 2 < t.size]
    left = left[~(closed[left] | closed[left + 1] | closed[left + 2])]
    current = signals.series("pack_current")
    cycle = int(median(np.diff(t)))
    before = mean_between(current.t, current.v, t[left] - 1_000_000 - cycle, t[left] - cycle)
    after = mean_between(current.t, current.v, t[left] + cycle, t[left] + 2_000_000 + cycle)
    fault = v[left] == CONTACTOR.index("fault")
    loaded = np.abs(before) > LOAD_C * rated
    events = []
    for j in np.flatnonzero(loaded):
        data = {"before_a": float(before[j]), "fault": float(fault[j])}
        if np.isfinite(after[j]):
            data["after_a"] = float(after[j])
        span = int(t[left[j]]) - 1_000_000, int(t[left[j]]) + 2_000_000
        events.append(Event("contactor_opened_loaded", *span, "", data))
    n = int(left.size)
    return [
        Metric("contactor_openings", float(n), "1", None, t.size),
        Metric("contactor_opened_loaded", float(len(events)), "1", None, t.size),
    ], events


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
)
