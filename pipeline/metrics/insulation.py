"""What an insulation monitor says of the resistance between the pack and the frame: the lowest, and the usual.

The lowest is the least median of three readings, so that one odd reading does not count; like any extreme it has no
error that a log could tell. A monitor takes seconds to settle after the switch closes, and its reading at the end of
its range means no more than "that much or more". It sees both poles together: which one leaks it does not tell. A low
reading after rain or washing dries away, and hurts all the same while it lasts.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST = 3  # readings of which the median is taken
TO_SD = 0.29  # a uniform error of one step of the reading has this standard deviation, 1/sqrt(12)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    read = signals.series("insulation_resistance").v
    known = read[np.isfinite(read)]
    if known.size < LEAST:
        return Outcome()
    share = known.size / read.size
    low = float(np.median(np.lib.stride_tricks.sliding_window_view(known, LEAST), axis=1).min())
    usual = float(np.median(known))
    return Outcome(
        (
            Metric("insulation_low_kohm", low, "kOhm", None, int(known.size), share),
            Metric("insulation_median_kohm", usual, "kOhm", _step(known), int(known.size), share),
        )
    )


def _step(read: Floats) -> float | None:
    """By the smallest step between readings; None where all are alike. The monitor's own error is not in the log."""
    apart = np.diff(np.unique(read))
    return TO_SD * float(apart.min()) if apart.size else None


SET = MetricSet(
    id="insulation",
    subject=Subject.PACK,
    needs=("insulation_resistance",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "insulation_low_kohm": ("kOhm", "Lowest resistance between pack and frame, median of three readings"),
        "insulation_median_kohm": ("kOhm", "Resistance between pack and frame, median of all readings"),
    },
    source="a median of three is the least that one odd reading cannot move",
)
