"""Charge, capacity and leak of one group from a whole record of rides and partial charges, beside its siblings.

Curves are published ones as demo_logs/makers bends them, not the table under test; readings are on the branch of the
current, the report is some per cent off, and sound groups differ as cells of one batch do.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from herdbook.pipeline.health.examples import ExampleSession, one_session, record
from herdbook.pipeline.health.pack.string import string_fit
from herdbook.pipeline.science.string_fit import Why
from herdbook.pipeline.times import HOUR
from herdbook.pipeline.vehicle.record import Event
from tests.coverage.case import Case, Draw, Rng
from tests.coverage.charge import RATED, published

GROUPS, WEEKS = 12, 4


def _weeks(rng: Rng, cause: Why) -> list[Draw]:
    """Four weeks, of which a third to all of the sessions are logged; group 5 is short by 12 to 28 %, leaks 0.35 to
    1.5 % a day, or stands 4 to 15 % apart in charge, from before the record on. Only what is named by its own cause
    counts; of charge, where it stands, whatever the cause."""
    curve, gap, low, slow = published(rng)
    short = rng.uniform(0.12, 0.28) if cause is Why.CAPACITY else 0.0
    leak = rng.uniform(0.0035, 0.015) if cause is Why.LEAK else 0.0
    apart = rng.uniform(0.04, 0.15) * rng.choice((-1.0, 1.0)) if cause is Why.CHARGE else 0.0
    held = 1.0 + rng.normal(0.0, 0.006, GROUPS)
    held[4] *= 1.0 - short
    stands, tap, more = rng.normal(0.0, [[0.004], [0.001], [0.05]], (3, GROUPS))
    stands[4] += apart
    turn, off, logged = rng.uniform(0.02, 0.09), rng.normal(0.0, 0.02), rng.uniform(0.35, 1.0)
    bottom, top = rng.uniform(0.15, 0.5), rng.uniform(0.8, 0.97)
    z, day, branch, sessions = rng.uniform(0.6, top), 0.0, -1.0, []
    while day < 7 * WEEKS:
        charge = z < bottom + 0.05
        way, kind, amps = (1.0, "charge", -0.3 * RATED) if charge else (-1.0, "ride", 0.4 * RATED)
        flows = top - z if charge else min(rng.uniform(0.05, 0.2), z - bottom)
        at = np.arange(0.015, flows, 0.03)
        here = z + way * at
        branches = way + (branch - way) * np.exp(-at / turn)
        shift = (stands - leak * day * (np.arange(GROUPS) == 4))[:, None] + (1.0 - 1.0 / held)[:, None] * (1.0 - here)
        half = 0.5 * gap * (1.0 + low * np.exp(-here / 0.2)) * branches
        table = np.linspace(0.0, 1.0, curve.size)
        drop = amps * slow * (1.0 - np.exp(-at * 3600.0 / 0.35 / 150.0))
        volts = np.interp(here + shift, table, curve) + 12.0 * np.minimum(here + shift, 0.0) + half - drop
        volts += tap[:, None] - 0.3 * drop * more[:, None] + rng.normal(0.0, 0.001, shift.shape)
        if at.size and rng.random() < logged:
            sessions.append(_session(day, kind, -way * at, volts, amps, z + off))
        branch, z = float(branches[-1]) if at.size else branch, z + way * flows
        day += rng.uniform(0.3, 2.0)
    group = string_fit(record(*sessions)).groups.get("5") if len(sessions) > 3 else None
    if group is not None and apart:
        return [(group.stands, group.stands_se, apart)]
    if group is None or group.cause is not cause:
        return []
    return [(group.size, group.se, short or leak)]


def _session(day: float, kind: str, run: np.ndarray, volts: np.ndarray, amps: float, begins: float) -> ExampleSession:
    """run (n,): shares of rated charge out so far; volts (groups, n)."""
    middle = np.median(volts, axis=0)
    events = [
        Event(
            "group_levels",
            k * HOUR // 20,
            (k + 1) * HOUR // 20 - 1,
            "charge" if kind == "charge" else "load",
            {"run_ah": RATED * float(run[k]), "current_a": amps, "median_v": float(middle[k]), "se_mv": 1.0}
            | {"soc_pct": float(np.round(100.0 * (begins - run[k]))), "load_known": float(kind == "ride")}
            | {f"d{g + 1}": 1000.0 * float(v[k] - middle[k]) for g, v in enumerate(volts)},
        )
        for k in range(run.size)
    ]
    return one_session(day, kind, *events)


CASES = [
    Case(
        f"{what} of a group from the whole record", "rides and partial charges", partial(_weeks, cause=why), quick=False
    )
    for what, why in (("charge", Why.CHARGE), ("capacity", Why.CAPACITY), ("leak", Why.LEAK))
]
