"""Depth of the discharge cycles of a session, by rainflow on counted charge.

Only turning points leave the session (events `charge_turn`), so that cycles longer than a session can be
counted across sessions without a reset at every file's border.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.pack_energy import GAIN, ZERO_A
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.session_charge import session_charge
from herdbook.pipeline.science.rainflow import count, reversals
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST_PCT = 2.0  # smaller swings are braking and noise, and wear little (engineering choice)
BANDS = ((2, 10), (10, 25), (25, 50), (50, 75), (75, 1000))
MOST_TURNS = 200


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    current = signals.series("pack_current")
    if len(current) < 10:
        return Outcome()
    charge = session_charge(session, signals)
    used_pct = 100 * charge.run / profile.pack_figures.rated_ah
    points, index = reversals(-used_pct, LEAST_PCT)
    cycles = count(points)
    deepest = float(np.ptp(used_pct))
    zero_pct = 100 * ZERO_A * charge.recorded_s / 3600 / profile.pack_figures.rated_ah
    error = float(np.hypot(GAIN * deepest, zero_pct))
    metrics = [Metric("pack_depth_pct", deepest, "%", se=error, n=len(current), coverage=charge.coverage)]
    for low, high in BANDS:
        n = sum(k for size, k in cycles.items() if low <= size < high)
        metrics.append(
            Metric(
                "pack_cycles",
                n,
                "1",
                n=points.size,
                coverage=charge.coverage,
                item=f"{low}-{min(high, 100)} %",
            )
        )
    turns = [
        Event("charge_turn", int(current.t[i]), int(current.t[i]), "", {"level_pct": float(p)})
        for i, p in zip(index[:MOST_TURNS], points[:MOST_TURNS], strict=True)
    ]
    return Outcome(tuple(metrics), tuple(turns))


SET = MetricSet(
    id="pack_cycles",
    subject=Subject.PACK,
    needs=("pack_current",),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge", "bench"),
    compute=compute,
    gives={
        "pack_depth_pct": ("%", "Deepest swing of counted charge in the session, share of rated charge"),
        "pack_cycles": ("1", "Cycles of a depth band; 0.5 for a half cycle"),
    },
    source="rainflow: ASTM E1049-85, 5.4.4",
)
