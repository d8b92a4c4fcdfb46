"""Charge that went into cells colder than their limit, from the charger or from braking.

In the cold, graphite takes up lithium slowly; charge current then plates lithium metal, which costs capacity
for good and can grow into a short. The coldest sensor is not the coldest cell: its reading flatters.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.pack_energy import GAIN, ZERO_A
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.believed_cells import believed_cells
from herdbook.pipeline.metrics.shared.session_charge import usual_gap
from herdbook.pipeline.science.stretches import extremes, held_s, stretches, sums
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

HOLD_S = 60.0
NOISE_C = 1 / 100  # currents below this share of rated charge are the sensor's noise
MOST_EVENTS = 20


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    limit = profile.pack_figures.charge_min_c
    current = signals.series("pack_current")
    if limit is None or len(current) < 10:
        return Outcome()
    items = believed_cells(signals)
    if not items:
        return Outcome()
    coldest = np.fmin.reduce([signals.at(current.t, "cell_temp", i, HOLD_S) for i in items])
    known = np.isfinite(coldest)
    gap_s = usual_gap(signals, current)
    stands = held_s(current.t, gap_s)
    charging = current.v < -NOISE_C * profile.pack_figures.rated_ah
    cold = charging & (coldest < limit)
    amps = np.where(cold, -current.v, 0.0)
    ah = float((amps * stands).sum() / 3600)
    seen = float(stands[charging & known].sum())
    cover = seen / max(float(stands[charging].sum()), 1e-9) if charging.any() else 1.0
    n = int((charging & known).sum())
    seconds = float(stands[cold].sum())
    error = float(np.hypot(GAIN * ah, ZERO_A * seconds / 3600))
    metrics = [
        Metric("cold_charge_ah", ah, "Ah", se=error, n=n, coverage=min(cover, 1.0)),
        Metric("cold_charge_s", seconds, "s", n=n, coverage=min(cover, 1.0)),
    ]
    if known.any():
        metrics.append(Metric("coldest_cell_c", float(np.nanmin(coldest)), "degC", 1.0, int(known.sum())))
    runs = stretches(current.t, cold, gap_s=gap_s, join_s=30.0, least_n=2)
    each = sums(amps * stands, runs) / 3600
    peak = extremes(amps, runs)
    order = np.argsort(-each)[:MOST_EVENTS]
    events = tuple(
        Event(
            "cold_charge",
            int(current.t[runs.first[j]]),
            int(current.t[runs.last[j]]),
            "",
            {"charge_ah": float(each[j]), "peak_a": float(peak[j]), "limit_c": float(limit)},
        )
        for j in order
    )
    return Outcome(tuple(metrics), events)


SET = MetricSet(
    id="cold_charge",
    subject=Subject.PACK,
    needs=("pack_current", "cell_temp"),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge", "bench"),
    compute=compute,
    gives={
        "cold_charge_ah": ("Ah", "Charge that went in while the coldest sensor was below the charging limit"),
        "cold_charge_s": ("s", "Time with such charge"),
        "coldest_cell_c": ("degC", "Coldest reading of any cell sensor"),
    },
    source=("mechanism: T. Waldmann et al., J. Power Sources 262 (2014) 129, doi:10.1016/j.jpowsour.2014.03.112"),
    version=3,  # the zero of the sensor is in the error
)
