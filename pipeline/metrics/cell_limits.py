"""Groups above or below the voltages they were built for: when, how long, how far, and where the others
stood.

Limits come from the profile (pack.cell_max_v, pack.cell_min_v). A running median of three readings goes
first, so that one bad frame is no excursion.
"""

from __future__ import annotations

import numpy as np

from pipeline.metrics.model import Event, Metric, MetricSet, Outcome, Session
from pipeline.profile import Profile
from pipeline.science.robust_fit import Floats
from pipeline.science.stretches import Stretches, extremes, stretches
from pipeline.signals import Series, Signals

GAP_S = 10.0
LEAST_S = 0.5
MOST_EVENTS = 50
END_REST_C = 0.05


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    metrics: list[Metric] = []
    events: list[Event] = []
    for name, key, sign in (("over", "cell_max_v", 1.0), ("under", "cell_min_v", -1.0)):
        limit = profile.pack.get(key)
        if isinstance(limit, int | float):
            found, seconds, extreme, n = _all_groups(signals, float(limit), sign, f"group_{name}_voltage")
            events += found
            metrics.append(Metric(f"cell_{name}_s", seconds, "s", None, n))
            if np.isfinite(extreme):
                metrics.append(Metric("cell_highest_v" if sign > 0 else "cell_lowest_v", extreme, "V", None, n))
    return Outcome((*metrics, *_at_the_end(signals, profile)), tuple(events))


def _at_the_end(signals: Signals, profile: Profile) -> list[Metric]:
    """Lowest group over the last readings before the session ends, when no load pulls it down then."""
    last = []
    for item in signals.items("cell_voltage"):
        v = signals.series("cell_voltage", item).v
        v = v[np.isfinite(v)][-9:]
        if v.size >= 3:
            last.append(float(np.median(v)))
    moments = signals.end - np.arange(1, 11, dtype=np.int64)[::-1] * 1_000_000
    amps = signals.at(moments, "pack_current", "", GAP_S)
    amps = amps[np.isfinite(amps)]
    quiet = amps.size > 0 and abs(float(np.median(amps))) < END_REST_C * profile.figure("pack", "rated_ah")
    return [Metric("end_lowest_v", min(last), "V", 0.005, len(last))] if last and quiet else []


def _all_groups(signals: Signals, limit: float, sign: float, kind: str) -> tuple[list[Event], float, float, int]:
    events: list[Event] = []
    seconds, extreme, n = 0.0, -np.inf, 0
    for item in signals.items("cell_voltage"):
        series = signals.series("cell_voltage", item)
        if len(series) < 3:
            continue
        calm = sign * _median_of_three(series.v)
        n += len(series)
        if np.isfinite(calm).any():
            extreme = max(extreme, float(np.nanmax(calm)))
        runs = stretches(series.t, calm > sign * limit, gap_s=GAP_S, join_s=2.0, least_s=LEAST_S, least_n=2)
        if len(runs):
            seconds += float(runs.lengths_s(series.t).sum())
            events += _events(kind, item, series, calm, runs, signals, limit, sign)
    events.sort(key=lambda e: -e.data["beyond_v"])
    return events[:MOST_EVENTS], seconds, sign * extreme, n


def _events(kind: str, item: int | str, series: Series, calm: Floats, runs: Stretches, signals: Signals,
            limit: float, sign: float) -> list[Event]:  # fmt: skip
    worst = extremes(calm, runs)
    middle = series.t[(runs.first + runs.last) // 2]
    others = np.stack([signals.at(middle, "cell_voltage", i, GAP_S) for i in signals.items("cell_voltage")])
    current = signals.at(middle, "pack_current", "", GAP_S)
    out = []
    for j in range(len(runs)):
        known = others[:, j][np.isfinite(others[:, j])]
        data = {"extreme_v": sign * float(worst[j]), "limit_v": limit, "beyond_v": float(worst[j]) - sign * limit}
        if known.size:
            data["median_v"] = float(np.median(known))
        if np.isfinite(current[j]):
            data["current_a"] = float(current[j])
        start, end = int(series.t[runs.first[j]]), int(series.t[runs.last[j]])
        out.append(Event(kind, start, end, str(item), data))
    return out


def _median_of_three(v: Floats) -> Floats:
    """Running median of three; the ends repeat their neighbour. NaN spread to their neighbours."""
    low = np.minimum(v[:-2], v[1:-1]), np.maximum(v[:-2], v[1:-1])
    middle = np.maximum(low[0], np.minimum(low[1], v[2:]))
    return np.concatenate((middle[:1], middle, middle[-1:]))


SET = MetricSet(
    id="cell_limits",
    needs=("cell_voltage",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "cell_over_s": ("s", "Time any group spent above the profile's highest voltage, summed over groups"),
        "cell_under_s": ("s", "Time any group spent below the profile's lowest voltage, summed over groups"),
        "cell_highest_v": ("V", "Highest group voltage, median of three readings"),
        "end_lowest_v": ("V", "Lowest group at the session's end, without load"),
        "cell_lowest_v": ("V", "Lowest group voltage, median of three readings"),
    },
    source="limits: the vehicle profile",
)
