"""Groups above or below the voltages they were built for: when, how long, how far, and where the others stood; and the
least margin to either limit, with its moment (event "least_margin"). An excursion names the neighbour that is furthest
off the other way, and what the pack's voltage has left over its groups: a measuring wire shows there.

Limits come from the profile (pack.cell_max_v, pack.cell_min_v). A running median of three readings goes
first, so that one bad frame is no excursion.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.least_margin import GIVES, Margin, scatter
from herdbook.pipeline.metrics.shared.session_charge import usual_gap
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.science.stretches import Stretches, extremes, median_of_three, stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals

GAP_S = 10.0
LEAST_S = 0.5
MOST_EVENTS = 50
END_REST_C = 0.05


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    metrics: list[Metric] = []
    events: list[Event] = []
    limits = {"over": profile.pack_figures.cell_max_v, "under": profile.pack_figures.cell_min_v}
    given = {name: v for name, v in limits.items() if v is not None}
    window = given["over"] - given["under"] if len(given) == 2 else max(given.values(), default=1.0)
    smooth = {item: median_of_three(signals.series("cell_voltage", item).v) for item in _speaking(signals)}
    for name, limit in given.items():
        sign = 1.0 if name == "over" else -1.0
        found, seconds, margin, n = _all_groups(
            signals, smooth, limit, sign=sign, kind=f"group_{name}_voltage", window=window
        )
        events += found
        metrics.append(Metric(f"cell_{name}_s", seconds, "s", None, n))
        if margin is not None:
            highest = "cell_highest_v" if sign > 0 else "cell_lowest_v"
            metrics.append(Metric(highest, margin.value, "V", margin.se, n))
            more, moment = margin.rows()
            metrics += more
            events.append(moment)
    return Outcome((*metrics, *_at_the_end(signals, profile)), tuple(events))


def _at_the_end(signals: Signals, profile: Profile) -> list[Metric]:
    """Lowest group over the last readings before the session ends, when no load pulls it down then."""
    last = []
    for item in signals.items("cell_voltage"):
        v = signals.series("cell_voltage", item).v
        v = v[np.isfinite(v)][-9:]
        if v.size >= 3:
            last.append(median(v))
    moments = signals.end - np.arange(1, 11, dtype=np.int64)[::-1] * 1_000_000
    # a sleeping bus speaks seldom
    hold_s = max(GAP_S, usual_gap(signals, signals.series("pack_current"), most_s=300.0))
    amps = signals.at(moments, "pack_current", "", hold_s)
    amps = amps[np.isfinite(amps)]
    if not profile.pack_figures.given("rated_ah"):
        return []  # the excursions above need no figure; this does
    quiet = amps.size > 0 and abs(median(amps)) < END_REST_C * profile.pack_figures.rated_ah
    return [Metric("end_lowest_v", min(last), "V", 0.005, len(last))] if last and quiet else []


def _speaking(signals: Signals) -> list[int | str]:
    return [item for item in signals.items("cell_voltage") if len(signals.series("cell_voltage", item)) >= 3]


def _all_groups(
    signals: Signals, smooth: dict[int | str, Floats], limit: float, sign: float, kind: str, window: float
) -> tuple[list[Event], float, Margin | None, int]:
    """Excursions, their seconds, the least margin of any group, and the readings behind it. smooth: by group."""
    events: list[Event] = []
    least: Margin | None = None
    seconds, n = 0.0, 0
    where = "cell highest" if sign > 0 else "cell lowest"
    for item, middle in smooth.items():
        series = signals.series("cell_voltage", item)
        calm = sign * middle
        n += len(series)
        k = int(np.argmax(np.where(np.isfinite(calm), calm, -np.inf)))
        margin = sign * limit - float(calm[k])
        if np.isfinite(calm[k]) and (least is None or margin < least.margin):
            value, moment = sign * float(calm[k]), int(series.t[k])
            least = Margin(
                where,
                "V",
                margin,
                value=value,
                limit=limit,
                span=window,
                se=scatter(series.v, k),
                t=moment,
                n=n,
                group=int(item),
            )
        runs = stretches(series.t, calm > sign * limit, gap_s=GAP_S, join_s=2.0, least_s=LEAST_S, least_n=2)
        if len(runs):
            seconds += float(runs.lengths_s(series.t).sum())
            events += _events(kind, item, series, calm=calm, runs=runs, signals=signals, limit=limit, sign=sign)
    events.sort(key=lambda e: -e.data["beyond_v"])
    return events[:MOST_EVENTS], seconds, least and replace(least, n=n), n


def _events(
    kind: str,
    item: int | str,
    series: Series,
    calm: Floats,
    runs: Stretches,
    signals: Signals,
    limit: float,
    sign: float,
) -> list[Event]:
    worst = extremes(calm, runs)
    middle = series.t[(runs.first + runs.last) // 2]
    others = np.stack([signals.at(middle, "cell_voltage", i, GAP_S) for i in signals.items("cell_voltage")])
    current = signals.at(middle, "pack_current", "", GAP_S)
    around = _around(signals, item, middle, others, sign)
    out = []
    for j in range(len(runs)):
        known = others[:, j][np.isfinite(others[:, j])]
        data = {"extreme_v": sign * float(worst[j]), "limit_v": limit, "beyond_v": float(worst[j]) - sign * limit}
        if known.size:
            data["median_v"] = median(known)
        if np.isfinite(current[j]):
            data["current_a"] = float(current[j])
        data |= {key: float(values[j]) for key, values in around.items() if np.isfinite(values[j])}
        start, end = int(series.t[runs.first[j]]), int(series.t[runs.last[j]])
        out.append(Event(kind, start, end, str(item), data))
    return out


def _around(signals: Signals, item: int | str, t: Times, groups: Floats, sign: float) -> dict[str, Floats]:
    """What tells a measuring wire from a group: the neighbour furthest off the other way, and the pack's voltage less
    the sum of its groups. groups: (groups, moments); NaN where not known."""
    items = [int(i) for i in signals.items("cell_voltage")]
    out: dict[str, Floats] = {}
    sides = [k for k, i in enumerate(items) if abs(i - int(item)) == 1]
    if sides:
        off = np.where(np.isfinite(groups[sides]), -sign * groups[sides], -np.inf)
        far = off.argmax(axis=0)
        out["neighbour"] = np.array([float(items[k]) for k in sides])[far]
        out["neighbour_v"] = groups[sides][far, np.arange(t.size)]
    total = groups.sum(axis=0)
    with np.errstate(invalid="ignore"):
        pack = signals.at(t, "pack_voltage", "", GAP_S)
        # behind an open main switch the terminals read next to nothing
        out["pack_less_sum_v"] = np.where(pack > 0.5 * total, pack - total, np.nan)
    return out


SET = MetricSet(
    id="cell_limits",
    subject=Subject.CELLS,
    needs=("cell_voltage",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives=GIVES
    | {
        "cell_over_s": ("s", "Time any group spent above the profile's highest voltage, summed over groups"),
        "cell_under_s": ("s", "Time any group spent below the profile's lowest voltage, summed over groups"),
        "cell_highest_v": ("V", "Highest group voltage, median of three readings"),
        "end_lowest_v": ("V", "Lowest group at the session's end, without load"),
        "cell_lowest_v": ("V", "Lowest group voltage, median of three readings"),
    },
    source="limits: the vehicle profile",
)
