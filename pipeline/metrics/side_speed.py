"""Left motor against right: by how much one turns faster, over a whole ride and at its worst.

Corners make one side faster and the other slower and even out; what stays is a tyre that is smaller, worn or soft, or
an encoder that miscounts. Slip under load has a figure of its own (belt).
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.travel import travel
from herdbook.pipeline.science.robust_fit import median, robust_sd
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.roles import SIDES
from herdbook.pipeline.vehicle.signals import Signals

LEAST_RPM = 100.0  # slower, a turn on the spot looks like a difference (engineering choice)
LEAST_SECONDS = 60
CORNER_S = 4.0  # a corner lasts some four seconds: so many neighbouring seconds say the same thing


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    rpm = travel(session, signals, profile).rpm
    if not set(SIDES) <= set(rpm):
        return Outcome()
    left, right = (np.abs(rpm[side]) for side in SIDES)
    mean = 0.5 * (left + right)
    with np.errstate(invalid="ignore"):
        moving = mean > LEAST_RPM  # NaN compares false
    n = int(moving.sum())
    if n < LEAST_SECONDS:
        return Outcome()
    apart = 100.0 * (right - left)[moving] / mean[moving]
    value = median(apart)
    se = 1.2533 * robust_sd(apart) / float(np.sqrt(n / CORNER_S))
    cover = n / max(int(np.isfinite(mean).sum()), 1)
    return Outcome(
        (
            Metric("speed_apart_pct", value, "%", se=se, n=n, coverage=cover),
            Metric(
                "speed_apart_p95_pct",
                float(np.percentile(np.abs(apart - value), 95)),
                "%",
                n=n,
                coverage=cover,
            ),
        )
    )


SET = MetricSet(
    id="side_speed",
    subject=Subject.DRIVE,
    needs=("motor_speed",),
    kinds=("ride", "bench"),
    compute=compute,
    gives={
        "speed_apart_pct": ("%", "Right motor faster than the left, middle of the ride: corners even out."),
        "speed_apart_p95_pct": ("%", "How far beyond that the sides part, exceeded in 5 % of the ride: corners, slip."),
    },
    source="definitions: this file",
)
