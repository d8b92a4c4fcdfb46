"""All events of a kind laid over each other at the moment they begin: what is alike in all of them is the pattern."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.reports.drawing.panels import MANY_PX, Panel, y_axis
from herdbook.pipeline.reports.drawing.thin import thin
from herdbook.pipeline.reports.drawing.traces import STEPPED, item_words
from herdbook.pipeline.reports.page.figure import DASHES, LINES, Spec, axis, label, layout, packed
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Signals

POINTS = 400  # a line: as many events share the panel


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One event: the signals around it, when it begins (microseconds UTC), and its name in the legend."""

    signals: Signals
    start: int
    name: str


def overlay(events: Sequence[Occurrence], panels: Sequence[Panel], *, before_s: float, after_s: float) -> Spec:
    """One panel a role, one line an event and item, from before_s seconds before each start to after_s after it."""
    shown = [p for p in panels if any(e.signals.has(p.role) for e in events)]
    data: list[Spec] = []
    axes: dict[str, Spec] = {}
    for index, panel in enumerate(shown):
        name = "y" if index == 0 else f"y{index + 1}"
        top = 1 - index / len(shown)
        axes["yaxis" + name[1:]] = y_axis(panel, (top - 1 / len(shown) + 0.035, top - 0.01))
        for order, event in enumerate(events):
            data += [t | {"yaxis": name} for t in _lines(event, panel, order, before_s, after_s, told=index == 0)]
    height = 100 + MANY_PX * max(1, len(shown))
    begin = {"type": "line", "yref": "paper", "y0": 0, "y1": 1, "x0": 0, "x1": 0}
    begin["line"] = {"color": "@ink", "width": 1, "dash": "dot"}
    x = axis("Seconds from the start of each event", range=[-before_s, after_s])
    x["anchor"] = "y" if len(shown) <= 1 else f"y{len(shown)}"
    return {"data": data, "layout": layout(height, xaxis=x, shapes=[begin], **axes)}


def _lines(event: Occurrence, panel: Panel, order: int, before_s: float, after_s: float, *, told: bool) -> list[Spec]:
    """The lines of one event in one panel. told: the event stands in the legend by its first line here."""
    items = [i for i in event.signals.items(panel.role) if not panel.bold or str(i) in panel.bold]
    out: list[Spec] = []
    for item in items:
        s = event.signals.series(panel.role, item)
        a, b = np.searchsorted(s.t, [event.start - int(before_s * 1e6), event.start + int(after_s * 1e6)])
        if b <= a:
            continue
        t, v = thin(s.t[a:b], s.v[a:b], POINTS)
        unit = label(numbers.unit(ROLES[panel.role].unit))
        of = label(f"{event.name} {item_words(item)}" if item != "" else event.name)
        out.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": label(event.name),
                "showlegend": told and not out,
                "x": packed((t - event.start) / 1e6, "f4"),
                "y": packed(v, "f4"),
                "line": {
                    "color": LINES[order % len(LINES)],
                    "width": 1.4,
                    "dash": DASHES[order % len(DASHES)],
                    "shape": "hv" if ROLES[panel.role].unit in STEPPED else "linear",
                },
                "hovertemplate": f"{of} %{{y:.4g}} {unit}",
            }
        )
    return out
