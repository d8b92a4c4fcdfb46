"""A forest: one line a comparison, its value as a mark on its interval, beside a line of no difference."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, label, layout, markers

LINE_PX = 24


@dataclass(frozen=True, slots=True)
class Branch:
    """strong: drawn as one that differs."""

    name: str
    value: float
    low: float
    high: float
    strong: bool
    row: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Ground:
    """Of a forest: none is where nothing differs; log: values are ratios, drawn by their logarithm.
    keys: whether the legend tells branches that differ from the others."""

    x: str
    none: float
    head: tuple[str, ...]
    log: bool = False
    span: tuple[float, float] | None = None
    keys: bool = True


def forest(id: str, title: str, branches: Sequence[Branch], ground: Ground, note: str) -> PageFigure:
    """branches: from the top down; ends that are open are drawn to the edge of the others."""

    def at(value: float) -> float:
        return math.log10(max(value, 1e-9)) if ground.log else value

    ends = [at(v) for b in branches for v in (b.low, b.high, b.value) if math.isfinite(v) and (v > 0 or not ground.log)]
    low, high = (min([*ends, at(ground.none)]), max([*ends, at(ground.none)])) if ends else (-1.0, 1.0)
    if ground.span:
        low, high = ground.span
    room = 0.06 * (high - low or 1.0)
    low, high = low - room, high + room
    data: list[Spec] = []
    for strong, color, name in ((False, "@line1", "no more than chance may give"), (True, "@strong", "differs")):
        chosen = [(i, b) for i, b in enumerate(branches) if b.strong == strong]
        if not chosen:
            continue
        x: list[float | None] = []
        y: list[float | None] = []
        for i, b in chosen:
            x += [max(at(b.low) if b.low > 0 or not ground.log else low, low), min(at(b.high), high), None]
            y += [float(i), float(i), None]
        line = {"color": color, "width": 2}
        data.append(
            {"type": "scatter", "mode": "lines", "name": name, "x": x, "y": y, "line": line, "showlegend": False}
        )
        values = [at(b.value) if math.isfinite(b.value) else high for _, b in chosen]
        symbol = "diamond" if strong else "circle"
        data.append(markers(name, values, [float(i) for i, _ in chosen], color, symbol))
    height = 110 + LINE_PX * len(branches)
    ticks = {"tickvals": list(range(len(branches))), "ticktext": [label(b.name) for b in branches]}
    y_axis = axis("", automargin=True, range=[len(branches) - 0.5, -0.5], **ticks)
    zero = {"type": "line", "x0": at(ground.none), "x1": at(ground.none), "y0": 0, "y1": 1, "yref": "paper"}
    shapes = [zero | {"line": {"color": "@ink", "width": 1, "dash": "dash"}}]
    x_axis = axis(ground.x, range=[low, high], **(_decades(low, high) if ground.log else {}))
    spec = {"data": data, "layout": layout(height, xaxis=x_axis, yaxis=y_axis, shapes=shapes, showlegend=ground.keys)}
    alt = f"{len(branches)} comparisons with intervals; {sum(b.strong for b in branches)} differ."
    return PageFigure(id, title, alt, spec, note, head=ground.head, body=[b.row for b in branches], height=height)


def _decades(low: float, high: float) -> Spec:
    values = [m * 10.0**k for k in range(math.floor(low), math.ceil(high) + 1) for m in (1, 2, 5)]
    inside = [v for v in values if low <= math.log10(v) <= high]
    return {"tickvals": [math.log10(v) for v in inside], "ticktext": [f"{v:g}" for v in inside]}
