"""Capacity of each group over its siblings', and its charge beside theirs, from one charge with a step in its curve.

A charge to four fifths from half tells it, where the voltage of the string has a bend on the way: a group that holds
less passes it in less charge (science/curve_warp.py). Neither a full nor an empty pack is needed, nor a table. Read
under a current that hardly changes, after the onset's polarisation, below the knee near full. A flat stretch, or
readings in coarse steps, have a large error. Vague ones are left out: nothing is judged by them.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.group_ohm import usual_ohm
from herdbook.pipeline.metrics.shared.session_charge import session_charge
from herdbook.pipeline.metrics.shared.steady_moments import range_allowed_a, resolution, steady
from herdbook.pipeline.science.curve_warp import warped
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

REST_C = 1 / 50
SETTLE_S = 900.0  # after the onset: several time constants of the slow part of the drop (engineering choice)
KNEE_V = 0.11  # above the plateau: nearer to full a per cent is worth tens of millivolts (engineering choice)
ALIKE = 0.3  # share by which the current may be off its middle: the usual drop is taken out (engineering choice)
LEAST_ROWS = 60
VAGUEST = 0.2  # error of a capacity share that is still kept (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    table = steady(signals, range_allowed_a(profile))
    if table is None or len(table) < LEAST_ROWS:
        return Outcome()
    pack = profile.pack_figures
    charging = table.current < -REST_C * pack.rated_ah
    if not charging.any():
        return Outcome()
    began = table.t[int(charging.argmax())]
    top = pack.of_chemistry.plateau_v[1] + KNEE_V
    used = charging & (table.t - began > SETTLE_S * 1e6) & (table.v.max(axis=1) < top)
    if used.sum() < LEAST_ROWS:
        return Outcome()
    amps = float(np.median(table.current[used]))
    rows = table.rows(used & (np.abs(table.current - amps) < ALIKE * abs(amps)))
    if len(rows) < LEAST_ROWS:
        return Outcome()
    current = signals.series("pack_current")
    run = np.interp(rows.t, current.t, session_charge(session, signals).run)
    volts = rows.v + usual_ohm(profile) * rows.current[:, None]
    found = warped(-run / pack.rated_ah, volts, resolution(table.v))
    if found is None:
        return Outcome()
    out = []
    for k, item in enumerate(rows.items):
        if np.isfinite(found.capacity[k]) and found.capacity_se[k] < VAGUEST:
            share, share_se = float(found.capacity[k]), float(found.capacity_se[k])
            pct, pct_se = 100.0 * float(found.charge[k]), 100.0 * float(found.charge_se[k])
            name = str(item)
            out.append(Metric("cell_capacity_share", share, "1", share_se, len(rows), item=name))
            out.append(Metric("cell_charge_middle_pct", pct, "%", pct_se, len(rows), item=name))
    return Outcome(tuple(out))


SET = MetricSet(
    id="cell_capacity",
    subject=Subject.CELLS,
    needs=("cell_voltage", "pack_current"),
    figures=("pack.rated_ah",),
    kinds=("charge",),
    compute=compute,
    gives={
        "cell_capacity_share": ("1", "Capacity of the group over its siblings', by the length of the curve's steps"),
        "cell_charge_middle_pct": (
            "%",
            "Charge of the group above its siblings' at mid charge, of rated",
        ),
    },
    version=2,  # the error of the charge is its own, without how far siblings truly differ
    source="physics: a string passes one charge, so that its groups draw one curve, each at its own scale",
)
