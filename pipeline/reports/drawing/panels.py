"""Panels of signals one above the other over one time axis, with limits and the window of a finding."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np

from herdbook.pipeline.reports.drawing.thin import thin
from herdbook.pipeline.reports.drawing.traces import POINTS, STEPPED, item_words, role_words, thinned_words
from herdbook.pipeline.reports.drawing.zoom_samples import Sampled, pack_samples
from herdbook.pipeline.reports.page.figure import DASHES, LINES, Spec, axis, label, layout, local_ms, packed
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

PANEL_PX, MANY_PX = 150, 105  # height of a panel; of each when there are more than four
FROM_ZERO = ("A", "%", "rpm", "m/s")
# The least an axis spans, so that a sensor's noise fills no panel (engineering choices: what a person would act on).
LEAST_SPAN = {"degC": 5.0, "V": 1.0, "A": 2.0, "%": 10.0, "m/s": 1.0, "rpm": 100.0, "ms": 20.0, "km": 0.1}
LEAST_SPAN_OF = {"cell_voltage": 0.04}
# drawn on one axis, because the distance between them is the point
SHARED = {"Regeneration": ("regen_demand", "regen_allowed", "regen_current")}


@dataclass(frozen=True, slots=True)
class Panel:
    """One role drawn, with further roles of the same unit beside it.

    bold: the items a finding is about; others are drawn thin.  limit: (value, words) or None.  words: what values of a
    fault word mean, by value.
    """

    role: str
    bold: frozenset[str] = frozenset()
    limit: tuple[float, str] | None = None
    beside: tuple[str, ...] = ()
    words: tuple[tuple[int, str], ...] = ()

    @property
    def title(self) -> str:
        family = next((name for name, roles in SHARED.items() if self.role in roles), "")
        return family if self.beside else role_words(self.role)


@dataclass(frozen=True, slots=True)
class Stacked:
    """note: what thinning left out. zoom: the samples behind it, packed ("" when all are drawn)."""

    spec: Spec
    note: str
    zoom: str


def together(panels: Sequence[Panel]) -> list[Panel]:
    """Roles that belong on one axis moved into the panel of the first of them."""
    out: list[Panel] = []
    for panel in panels:
        family = next((roles for roles in SHARED.values() if panel.role in roles), ())
        host = next((i for i, p in enumerate(out) if p.role in family), None)
        if host is None:
            out.append(panel)
        else:
            out[host] = replace(out[host], beside=(*out[host].beside, panel.role), limit=out[host].limit or panel.limit)
    return out


def stack(
    signals: Signals,
    panels: Sequence[Panel],
    zone: ZoneInfo | None,
    points: int = POINTS,
    window: tuple[int, int] | None = None,
) -> Stacked:
    """The panels over one time axis, with the window shaded."""
    shown = together([p for p in panels if signals.has(p.role)])
    count = max(1, len(shown))
    data: list[Spec] = []
    axes: dict[str, Spec] = {}
    shapes = [_shade(window, zone)] if window else []
    drawn = 0
    sampled: list[Sampled] = []
    for index, panel in enumerate(shown):
        name = "y" if index == 0 else f"y{index + 1}"
        top = 1 - index / count
        axes["yaxis" + name[1:]] = y_axis(panel, (top - 1 / count + 0.035, top - 0.01))
        for trace, kept, series, most in _traces(signals, panel, zone, points):
            sampled.append(Sampled(len(data), series.t, series.v, most))
            data.append(trace | {"yaxis": name})
            drawn += kept
        if panel.limit:
            shapes.append(_limit_line(name, panel.limit))
    told: set[str] = set()
    for trace in data:  # a name that two panels share stands in the legend once
        trace["showlegend"] = trace["showlegend"] and trace["name"] not in told
        told |= {trace["name"]} if trace["showlegend"] else set()
    for index, panel in enumerate(shown):
        _room(axes["yaxis" + ("" if index == 0 else str(index + 1))], signals, panel)
    notes = [_limit_note(shape) for shape in shapes if "meta" in shape]
    height = 90 + (PANEL_PX if count <= 4 else MANY_PX) * count
    more = {"xaxis": time_axis(zone, count), "hovermode": "x unified", "hoversubplots": "axis", "annotations": notes}
    margin = {"l": 88, "r": 16, "t": 30, "b": 52}  # room for ticks and a title of two lines
    spec = {"data": data, "layout": layout(height, shapes=shapes, margin=margin, **more, **axes)}
    more_of_it = pack_samples(sampled, zone)
    return Stacked(spec, thinned_words(drawn, sum(len(s.v) for s in sampled)) + more_of_it.text, more_of_it.blob)


def _room(y: Spec, signals: Signals, panel: Panel) -> None:
    """Give the axis a range where its signals alone would span less than is worth looking at."""
    least = LEAST_SPAN_OF.get(panel.role, LEAST_SPAN.get(ROLES[panel.role].unit))
    every = [signals.series(role, item).v for role in (panel.role, *panel.beside) for item in signals.items(role)]
    values = np.concatenate([v[np.isfinite(v)] for v in every]) if every else np.empty(0)
    if least is None or not values.size:
        return
    ends = [float(values.min()), float(values.max())] + ([panel.limit[0]] if panel.limit else [])
    low, high = min(ends), max(ends)
    if y.get("rangemode") == "tozero":
        low, high = min(low, 0.0), max(high, 0.0)
    if high - low >= least:
        return
    foot = 0.0 if y.get("rangemode") == "tozero" and low == 0.0 else (low + high - least) / 2
    y["range"] = [foot, foot + least]


def time_axis(zone: ZoneInfo | None, count: int) -> Spec:
    """The time axis below `count` stacked panels."""
    anchor = "y" if count == 1 else f"y{count}"
    return axis(f"Time of day ({zone.key if zone else 'UTC'})", type="date", anchor=anchor)


def _traces(
    signals: Signals, panel: Panel, zone: ZoneInfo | None, points: int
) -> Iterator[tuple[Spec, int, Series, int]]:
    """Every series of a panel drawn: the trace, how many samples it draws, all of them, and how many may be drawn. Thin
    ones first, so that what the finding is about lies on top."""
    every = [(role, item) for role in (panel.role, *panel.beside) for item in signals.items(role)]
    chosen = [(role, item) for role, item in every if not panel.bold or str(item) in panel.bold]
    others = 0  # told in the legend, once
    for role, item in [key for key in every if key not in chosen] + chosen:
        series = signals.series(role, item)
        if len(series):
            order = chosen.index((role, item)) if (role, item) in chosen else None
            most = points // 4 if order is None else points
            t, v = thin(series.t, series.v, most)
            trace = _trace(Series(t, v), panel, (role, item), order, zone)
            if order is None and not others:
                others = len(every) - len(chosen)
                trace |= {"showlegend": True, "name": f"the other {others}" if others > 1 else "the other one"}
            yield trace, int(np.count_nonzero(~np.isnan(v))), series, most


def y_axis(panel: Panel, domain: tuple[float, float]) -> Spec:
    """The axis of a panel: its quantity and unit, states and faults in words."""
    role = ROLES[panel.role]
    shown = numbers.unit(role.unit)
    y = axis("", domain=list(domain))
    text = label(panel.title).replace(" ", "<br>", 1) + (f"<br>[{shown}]" if shown else "")
    y["title"] = {"text": text}
    if role.states:
        y |= {"tickvals": list(range(len(role.states))), "ticktext": list(role.states)}
    if panel.words:
        y |= {"tickvals": [v for v, _ in panel.words], "ticktext": [label(w) for _, w in panel.words]}
    if role.unit in FROM_ZERO:
        y["rangemode"] = "tozero"
    return y


def _trace(series: Series, panel: Panel, key: Key, order: int | None, zone: ZoneInfo | None) -> Spec:
    """One series as a line. key: role and item. order: its place among those told apart; None for those drawn thin."""
    role, item = key
    colors = ("@strong", *LINES) if panel.bold else LINES
    name = f"{role_words(role)} {item_words(item)}".strip() if item != "" else role_words(role)
    if panel.bold and order is not None:
        name += " (this finding)"
    line: Spec = {
        "color": "@faint" if order is None else colors[order % len(colors)],
        "width": 2.0 if order is not None and panel.bold else 1.4,
        "shape": "hv" if ROLES[role].unit in STEPPED else "linear",
    }
    if order:
        line["dash"] = DASHES[(order // len(LINES) + order) % len(DASHES)]
    strong = order is not None
    hover = {"hovertemplate": f"%{{y:.4g}} {label(numbers.unit(ROLES[role].unit))}"}  # would win over "skip"
    return {
        "type": "scatter",
        "mode": "lines",
        "name": label(name),
        "x": packed(local_ms(series.t, zone)),
        "y": packed(series.v, "f4"),
        "line": line,
        "connectgaps": False,
        "showlegend": strong and (item != "" or bool(panel.beside)),
        "hoverinfo": "all" if strong else "skip",
        **(hover if strong else {}),
    }


def _limit_line(y: str, limit: tuple[float, str]) -> Spec:
    return {
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "yref": y,
        "y0": limit[0],
        "y1": limit[0],
        "line": {"color": "@stop", "width": 1.6, "dash": "dash"},
        "layer": "above",
        "meta": limit[1],
    }


def _limit_note(shape: Spec) -> Spec:
    return {
        "xref": "paper",
        "x": 1,
        "xanchor": "right",
        "yref": shape["yref"],
        "y": shape["y0"],
        "yanchor": "bottom",
        "text": label(shape.pop("meta")),
        "showarrow": False,
        "font": {"size": 11, "color": "@stop"},
    }


def _shade(window: tuple[int, int], zone: ZoneInfo | None) -> Spec:
    x0, x1 = local_ms(np.array(window, np.int64), zone)
    return {
        "type": "rect",
        "xref": "x",
        "x0": float(x0),
        "x1": float(x1),
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "fillcolor": "@shade",
        "line": {"width": 0},
        "layer": "below",
    }
