"""How far the reported charge moves with the counted current, read where the report changes from step to step.

The report's own step of up to a per cent, read at both ends of a ride that takes five, hides a fifth; the moments at
which it changes do not.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.session_charge import session_charge
from herdbook.pipeline.science.step_crossings import slope_of_steps
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

STOPS = 5.0, 97.0  # %: beyond them a report is set right or stands still (engineering choice)
LEAST_PCT = 1.5  # of rated charge between first and last crossing (engineering choice)
LARGEST_SE = 0.2  # of what is asked: vaguer says nothing (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    soc, current = signals.series("pack_soc"), signals.series("pack_current")
    rated = profile.pack_figures.rated_ah
    inside = np.isfinite(soc.v) & (soc.v > STOPS[0]) & (soc.v < STOPS[1])
    if inside.sum() < 3 or len(current) < 3:
        return Outcome()
    charge = session_charge(session, signals)
    share = np.interp(soc.t[inside], current.t, charge.run) / rated * 100.0
    found = slope_of_steps(share, soc.v[inside], usual=1.0)
    if found is None or found.span < LEAST_PCT or found.se > LARGEST_SE:
        return Outcome()
    moved = Metric("pack_soc_moved_share", -found.slope, "1", found.se, n=found.crossings, coverage=charge.coverage)
    flowed = Metric("pack_soc_moved_over_pct", found.span, "%", None, n=found.crossings, coverage=charge.coverage)
    return Outcome((moved, flowed))


SET = MetricSet(
    id="soc_count",
    subject=Subject.PACK,
    needs=("pack_soc", "pack_current"),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge", "bench"),
    compute=compute,
    gives={
        "pack_soc_moved_share": ("1", "Reported charge over counted charge, where the report changes step"),
        "pack_soc_moved_over_pct": ("%", "Counted charge between the first and the last of these steps"),
    },
    source="charge counted from the same current; crossings of a stepped reading: pipeline/science/step_crossings.py",
)
