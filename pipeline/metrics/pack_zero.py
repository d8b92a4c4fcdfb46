"""What the current sensor reads when next to no current can flow, and when hardly any does.

With the main switch open none flows. A pack that rests sleeps on microamperes to milliamperes of standby, switch open
or not. While it is charged the charger says what flows. A vehicle that stands still with its drive on draws what its
electronics need, alike from ride to ride: a step in that is told as well. An error of 0.05 A is 1.2 Ah a day in every
count of charge.
"""

from __future__ import annotations

import math

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.coulomb import usual_gap_s
from herdbook.pipeline.science.robust_fit import median, robust_sd
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Series, Signals

OPEN = float(ROLES["contactor_state"].states.index("open"))
SETTLE_S = 2.0  # after opening, and after coming to a stand
LEAST, LEAST_REST = 30, 3
LSB_SHARE = 0.29  # a uniform error of one resolution step has this standard deviation, 1/sqrt(12)
QUIET_C = 0.1  # a rest with more current than this is none (engineering choice)
STILL_MS = 0.1
AWAKE = ("vehicle_speed", "motor_speed", "trigger")  # who hears these hears a drive that is on, and draws
AFTER_S = 120.0  # a charger's word may be two minutes old (engineering choice)
LITTLE_C = 0.02  # of the charger's current: from here on its own gain error is nothing (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    current, pack = signals.series("pack_current"), profile.pack_figures
    rated = pack.rated_ah if pack.given("rated_ah") else math.nan  # then nothing is little: comparisons are false
    known = np.isfinite(current.v)
    found = [_reading("pack_current_zero_a", current, _switched_off(signals, current) & known, LEAST)]
    if session.kind == "charge":
        found.append(_against_charger(signals, current, known, rated))
    elif session.kind == "rest" and not any(signals.has(role) for role in AWAKE):
        read = current.v[known]
        if read.size and abs(median(read)) < QUIET_C * rated:
            found.append(_reading("pack_rest_a", current, known, LEAST_REST))
    elif signals.has("vehicle_speed"):
        found.append(_reading("pack_idle_a", current, _standing(signals, current) & known, LEAST))
    made = [m for m in found if m is not None]
    looked = Metric("pack_still_readings", float(sum(m.n for m in made)), "1", None, int(known.sum()))
    return Outcome((looked, *made))


def _switched_off(signals: Signals, current: Series) -> Bools:
    hold_s = usual_gap_s(signals.series("contactor_state").t, most_s=300.0)
    state = signals.at(current.t, "contactor_state", "", hold_s)
    earlier = signals.at(current.t - int(SETTLE_S * 1e6), "contactor_state", "", hold_s)
    return np.asarray((state == OPEN) & (earlier == OPEN))


def _standing(signals: Signals, current: Series) -> Bools:
    """The vehicle stands, and stood a while ago; NaN compares false."""
    now = signals.at(current.t, "vehicle_speed", "", SETTLE_S)
    before = signals.at(current.t - int(SETTLE_S * 1e6), "vehicle_speed", "", SETTLE_S)
    return np.asarray((np.abs(now) < STILL_MS) & (np.abs(before) < STILL_MS))


def _against_charger(signals: Signals, current: Series, known: Bools, rated: float) -> Metric | None:
    """What the pack's sensor reads less what the charger says it gives, once that is next to nothing."""
    said = signals.series("charger_current")
    if len(said) < LEAST_REST:
        return None
    gives = signals.at(current.t, "charger_current", "", usual_gap_s(said.t, most_s=120.0))
    idle = np.abs(gives) < LITTLE_C * rated
    busy = np.maximum.accumulate(np.where(idle, current.t[0], current.t))  # when it last gave more, or was not heard
    rows = known & idle & (current.t - busy > AFTER_S * 1e6) & (np.abs(current.v) < QUIET_C * rated)
    return _reading("pack_less_charger_a", Series(current.t, current.v + gives), rows, LEAST_REST)


def _reading(name: str, series: Series, rows: Bools, least: int) -> Metric | None:
    read = series.v[rows]
    if read.size < least:
        return None
    value = float(np.mean(np.clip(read, *_fence(read))))
    # Readings of a still current share their rounding: the resolution does not average out.
    steps = np.unique(np.round(np.abs(np.diff(np.unique(read))), 6))
    lsb = float(steps[steps > 0].min()) if (steps > 0).any() else _resolution(series.v)
    se = float(np.hypot(read.std() / np.sqrt(min(read.size, 100)), LSB_SHARE * min(lsb, 1.0)))
    return Metric(name, value, "A", se, int(read.size))


def _resolution(v: Floats) -> float:
    """Of readings that never move where they are looked at: the least step anywhere in the session, or 0.1 A."""
    gaps = np.diff(np.unique(np.round(v[np.isfinite(v)], 4)))
    return float(gaps[gaps > 1e-3].min(initial=1.0)) if gaps.size else 0.1


def _fence(read: Floats) -> tuple[float, float]:
    middle, spread = median(read), max(robust_sd(read), 0.1)
    return middle - 4 * spread, middle + 4 * spread


SET = MetricSet(
    id="pack_zero",
    subject=Subject.PACK,
    needs=("pack_current",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "pack_still_readings": ("1", "Readings of the pack's current at which none or hardly any flows"),
        "pack_current_zero_a": ("A", "Reading of the pack's current sensor with the main switch open"),
        "pack_rest_a": ("A", "Reading of the pack's current sensor at rest, whatever the switch; standby is in it"),
        "pack_less_charger_a": ("A", "Reading of the pack's current sensor beyond what a nearly idle charger gives"),
        "pack_idle_a": ("A", "Reading of the pack's current sensor while the vehicle stands with its drive on"),
    },
    source="an open circuit carries no current",
    version=2,
)
