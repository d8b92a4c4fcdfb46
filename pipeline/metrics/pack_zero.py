"""What the current sensor reads when no current can flow: with the main switch open.

An error of 0.05 A is 1.2 Ah a day in every count of charge.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.coulomb import usual_gap_s
from herdbook.pipeline.science.robust_fit import median, robust_sd
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Signals

OPEN = float(ROLES["contactor_state"].states.index("open"))
SETTLE_S = 2.0  # after opening
LEAST = 30
LSB_SHARE = 0.29  # a uniform error of one resolution step has this standard deviation, 1/sqrt(12)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    current = signals.series("pack_current")
    hold_s = usual_gap_s(signals.series("contactor_state").t, most_s=300.0)
    state = signals.at(current.t, "contactor_state", "", hold_s)
    earlier = signals.at(current.t - int(SETTLE_S * 1e6), "contactor_state", "", hold_s)
    read = current.v[(state == OPEN) & (earlier == OPEN) & np.isfinite(current.v)]
    if read.size < LEAST:
        return Outcome()
    value = float(np.mean(np.clip(read, *_fence(read))))
    # Readings of a still current share their rounding: the resolution does not average out.
    steps = np.unique(np.round(np.abs(np.diff(np.unique(read))), 6))
    lsb = float(steps[steps > 0].min()) if (steps > 0).any() else 0.1
    se = float(np.hypot(read.std() / np.sqrt(min(read.size, 100)), LSB_SHARE * min(lsb, 0.5)))
    return Outcome((Metric("pack_current_zero_a", value, "A", se, int(read.size)),))


def _fence(read: np.ndarray) -> tuple[float, float]:
    middle, spread = median(read), max(robust_sd(read), 0.1)
    return middle - 4 * spread, middle + 4 * spread


SET = MetricSet(
    id="pack_zero",
    subject=Subject.PACK,
    needs=("pack_current", "contactor_state"),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={"pack_current_zero_a": ("A", "Reading of the pack's current sensor with the main switch open")},
    source="an open circuit carries no current",
)
