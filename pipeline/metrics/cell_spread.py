"""Spread between groups in millivolts, only with the conditions that give it a meaning.

The same 3 % of charge reads 2 mV on the plateau and 100 mV at the ends. So a spread is given for three
conditions only, each named: at rest after a soak, at the end of charge with little current, and near empty.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.steady_moments import Steady, steady
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

REST_C, TAPER_C = 1 / 50, 1 / 20  # currents below these count as rest and as end of charge
SOAK_S = 1800.0
LAST_S = 60.0  # the stretch that is averaged
LEAST_ROWS = 5


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    rated, chemistry = profile.pack_figures.rated_ah, profile.pack_figures.of_chemistry
    table = steady(signals, max(1.0, 0.05 * rated), most_rows=12000)
    if table is None or len(table) < LEAST_ROWS:
        return Outcome()
    metrics: list[Metric] = []
    events: list[Event] = []
    size = np.abs(table.current)
    rest = (size < REST_C * rated) & (_quiet_s(table, REST_C * rated) > SOAK_S)
    full = (size < TAPER_C * rated) & (table.current < 0) & (table.v.mean(axis=1) > chemistry.full_v)
    low = (table.v.min(axis=1) < chemistry.low_v) & (table.current > -REST_C * rated)
    for name, rows in (("rest", rest), ("full", full), ("low", low)):
        if rows.sum() >= LEAST_ROWS:
            metrics += _spread(name, table, np.flatnonzero(rows))
            events += _weakest(name, table, np.flatnonzero(rows))
    return Outcome(tuple(metrics), tuple(events))


def _quiet_s(table: Steady, limit: float) -> np.ndarray:
    """Seconds since the current last exceeded the limit; from the first row on when it never did."""
    loud = np.where(np.abs(table.current) >= limit, table.t, table.t[0])
    quiet: np.ndarray = (table.t - np.maximum.accumulate(loud)) / 1e6
    return quiet


def _last(table: Steady, rows: np.ndarray) -> np.ndarray:
    kept: np.ndarray = rows[table.t[rows] >= table.t[rows[-1]] - int(LAST_S * 1e6)]
    return kept


def _spread(name: str, table: Steady, rows: np.ndarray) -> list[Metric]:
    used = _last(table, rows)
    group = np.median(table.v[used], axis=0)
    noise = table.v[used].std(axis=0).mean() / np.sqrt(used.size)
    spread = 1000 * float(group.max() - group.min())
    return [
        Metric(f"spread_{name}_mv", spread, "mV", 1000 * float(noise) * np.sqrt(2), used.size),
        Metric(f"spread_{name}_mean_v", float(group.mean()), "V", float(noise), used.size),
    ]


def _weakest(name: str, table: Steady, rows: np.ndarray) -> list[Event]:
    """Which group leads near full, or is lowest near empty."""
    if name == "rest":
        return []
    used = _last(table, rows)
    group = np.median(table.v[used], axis=0)
    k = int(group.argmax() if name == "full" else group.argmin())
    data = {
        "voltage_v": float(group[k]),
        "median_v": float(np.median(group)),
        "current_a": float(table.current[used].mean()),
    }
    kind = "first_full" if name == "full" else "first_empty"
    return [Event(kind, int(table.t[used[0]]), int(table.t[used[-1]]), str(table.items[k]), data)]


SET = MetricSet(
    id="cell_spread",
    subject=Subject.CELLS,
    needs=("cell_voltage", "pack_current"),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        f"spread_{name}_{what}": (unit, f"{word} {when}")
        for name, when in (
            ("rest", "at rest, after half an hour or more without load"),
            ("full", "at the end of charge, current below C/20, mean as high as when full"),
            ("low", "near empty, one group nearly empty"),
        )
        for what, unit, word in (
            ("mv", "mV", "Highest minus lowest group"),
            ("mean_v", "V", "Mean group voltage"),
        )
    },
    source="conditions: common practice; why they matter: slope of the open-circuit curve",
)
