"""The quantity that a finding is about, drawn so that its size is a slope: a joint's drop against current, a group's
deviation against current, a group's charge against date."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.drawing.readings import items, life_axis, metric_series
from herdbook.pipeline.reports.drawing.traces import load
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, layout, local_ms, markers
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.times import micros
from herdbook.pipeline.vehicle.signals import Signals

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

ROLES = ("pack_voltage", "cell_voltage", "pack_current")
LONGEST_S = 1800.0  # of a window: enough currents, and a group's level does not wander far
HOLD_S = 0.5  # readings of one moment lie no further apart
STEADY_A = 1.0  # nor does the current move by more between them
MOST_DOTS = 900
LEAST_SPAN_A = 3.0  # of current: on less a slope is noise
LEAST_DAYS = 3.0
BINS = 12
HEIGHT = 320

Maker = Callable[["Store", Facts, Row], "PageFigure | None"]


def figure(store: Store, facts: Facts, finding: Row) -> PageFigure | None:
    """The figure of a finding whose size is a slope; None for others, or where too little is recorded to see one."""
    maker = MAKERS.get(finding["rule"])
    try:
        return maker(store, facts, finding) if maker else None
    except HerdbookError:
        return None  # the figure of the window says why it cannot be read


def _moments(store: Store, facts: Facts, finding: Row) -> tuple[Floats, Floats, Floats, list[int]] | None:
    """Current [A], terminal voltage [V], group voltages (moments, groups) [V] and the groups' numbers, in the window
    that spans the most current."""
    best: tuple[Floats, Floats, Floats, list[int]] | None = None
    for window in finding["windows"]:
        start = micros(window["start_t"])
        end = min(micros(window["end_t"]), start + int(LONGEST_S * 1e6))
        found = _of_window(load(store, facts.vehicle, start, end + 1, ROLES, pack=facts.pack))
        if found and (best is None or np.ptp(found[0]) > np.ptp(best[0])):
            best = found
    return best if best is not None and np.ptp(best[0]) >= LEAST_SPAN_A else None


def _of_window(signals: Signals) -> tuple[Floats, Floats, Floats, list[int]] | None:
    current = signals.series("pack_current")
    groups = [i for i in signals.items("cell_voltage") if isinstance(i, int)]
    if len(current) < BINS or not groups:
        return None
    v = np.stack([signals.at(current.t, "cell_voltage", i, HOLD_S) for i in groups], axis=1)
    terminal = signals.at(current.t, "pack_voltage", hold_s=HOLD_S)
    before = signals.at(current.t - int(HOLD_S * 1e6), "pack_current", hold_s=HOLD_S)
    ok = np.isfinite(v).all(axis=1) & (np.abs(current.v - before) <= STEADY_A)  # readings of one current
    return (current.v[ok], terminal[ok], v[ok], groups) if ok.sum() >= BINS else None


def _joint(store: Store, facts: Facts, finding: Row) -> PageFigure | None:
    found = _moments(store, facts, finding)
    if found is None or not np.isfinite(found[1]).any():
        return None
    current, terminal, groups, _ = found
    ok = np.isfinite(terminal)
    drop = 1000.0 * (groups.sum(axis=1) - terminal)
    title = "Drop between the groups and the terminals against current: its slope is the resistance of the joints"
    return _slope_figure(finding, current[ok], drop[ok], title, "Sum of the groups minus terminal voltage [mV]", [])


def _deviation(store: Store, facts: Facts, finding: Row) -> PageFigure | None:
    found, named = _moments(store, facts, finding), re.findall(r"\d+", finding["item"])
    if found is None or not named or int(named[0]) not in found[3]:
        return None
    current, _, groups, names = found
    off = 1000.0 * (groups - np.median(groups, axis=1, keepdims=True))
    mine = names.index(int(named[0]))
    band = _band(current, np.delete(off, mine, axis=1))
    title = f"Group {named[0]} against the median group: its fall with current is resistance beyond the others'"
    return _slope_figure(finding, current, off[:, mine], title, "Group minus median group [mV]", band)


def _band(current: Floats, off: Floats) -> list[Spec]:
    """Between which the other groups lie, nine of ten, by current."""
    edges = np.linspace(float(current.min()), float(current.max()), BINS + 1)
    which = np.clip(np.digitize(current, edges) - 1, 0, BINS - 1)
    bins = [k for k in range(BINS) if (which == k).sum() >= 5]
    middle = [round(float(edges[k] + edges[k + 1]) / 2, 3) for k in bins]
    out: list[Spec] = []
    for order, q in enumerate((0.05, 0.95)):
        y = [round(float(np.quantile(off[which == k], q)), 3) for k in bins]
        line = {"color": "@muted", "width": 1.4, "dash": "dot"}
        name = "between: nine of ten readings of the other groups"
        out.append(
            {"type": "scatter", "mode": "lines", "x": middle, "y": y, "line": line, "name": name}
            | {"showlegend": order == 0, "hoverinfo": "skip"}
        )
    return out


def _slope_figure(
    finding: Row, current: Floats, y: Floats, title: str, y_title: str, more: list[Spec]
) -> PageFigure | None:
    slope, level = np.polyfit(current, y, 1)
    kept = np.linspace(0, current.size - 1, min(MOST_DOTS, current.size)).astype(int)
    dots = markers("readings", current[kept].round(2).tolist(), y[kept].round(2).tolist(), "@line1")
    dots["marker"] |= {"size": 4, "opacity": 0.5}
    ends = np.array([current.min(), current.max()])
    said = numbers.with_minus(f"slope {numbers.amount(float(slope), 'mOhm')}")
    line: Spec = {
        "type": "scatter",
        "mode": "lines",
        "name": said,
        "x": ends.round(2).tolist(),
        "y": (slope * ends + level).round(2).tolist(),
        "line": {"color": "@strong", "width": 2},
    }
    axes = {"xaxis": axis("Pack current, out of the pack positive [A]"), "yaxis": axis(y_title)}
    spec = {"data": [dots, *more, line], "layout": layout(HEIGHT, **axes)}
    note = f"n = {numbers.count(int(current.size))} readings of one window while the current was steady; {said} by "
    note += "least squares over it. "
    note += "The finding's own figure rests on more than this window."
    return PageFigure(_id(finding), title, f"Scatter of {y_title} against current, {said}.", spec, note, height=HEIGHT)


def _charge(store: Store, facts: Facts, finding: Row) -> PageFigure | None:
    """The group's charge beside the median group, session by session; what it loses a day is a current."""
    named = re.findall(r"\d+", finding["item"])
    for metric, where in (("cell_offset_top_ah", "near full"), ("cell_offset_bottom_ah", "near empty")):
        mine = metric_series(facts, metric, named[0]) if named else None
        if mine is None or len(mine) < 3 or (mine.t[-1] - mine.t[0]) < LEAST_DAYS * 86_400e6:
            continue
        others = [metric_series(facts, metric, i) for i in items(facts, metric) if i not in ("", named[0])]
        x = [t for of in others for t in local_ms(of.t, facts.zone).tolist()]
        faint = markers(f"the other {len(others)}", x, [v for of in others for v in of.value.tolist()], "@faint")
        faint["marker"] |= {"size": 4}
        ms = local_ms(mine.t, facts.zone)
        reach = np.nan_to_num(1.96 * mine.se)
        bars = {"type": "data", "array": reach.tolist(), "color": "@strong"}
        own = markers(f"group {named[0]} (this finding)", ms.tolist(), mine.value.tolist(), "@strong", error_y=bars)
        days = (mine.t - mine.t[0]) / 86_400e6
        slope, level = np.polyfit(days, mine.value, 1)
        said = numbers.with_minus(f"slope {numbers.amount(1000.0 * float(slope) / 24.0, 'mA')}")
        line: Spec = {"type": "scatter", "mode": "lines", "name": said, "x": [float(ms[0]), float(ms[-1])]}
        line |= {"y": [float(level), float(level + slope * days[-1])], "line": {"color": "@strong", "width": 1.4}}
        axes = {"xaxis": life_axis(facts), "yaxis": axis("Charge against the median group [Ah]")}
        spec = {"data": [faint, own, line], "layout": layout(HEIGHT, **axes)}
        title = f"Charge of group {named[0]} against the median group, {where}, over time: its slope is a current"
        note = f"n = {numbers.plural(len(mine), 'session')} that reached the knee {where}; bars: 95 % intervals. "
        note += f"The {said} is a plain line through them; what the balancer took is not added back."
        alt = f"Charge of group {named[0]} beside the median group over time, the other groups faint; {said}."
        return PageFigure(_id(finding), title, alt, spec, note, height=HEIGHT)
    return None


def _id(finding: Row) -> str:
    return f"quantity-{finding['finding'][:12]}"


MAKERS: dict[str, Maker] = {
    "resistance_outside_groups": _joint,
    "weak_group": _deviation,
    "leaking_group": _charge,
    "leak_growing": _charge,
    "out_of_balance": _charge,
    "low_capacity_group": _charge,
}
