"""Groups of cells over the sessions of a unit as a map of colours: who stands out, since when."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.reports.drawing.readings import items, metric_series
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, layout
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.times import from_micros

DIVERGING = [[0.0, "#1f5fa8"], [0.25, "#8fb8de"], [0.5, "@neutral"], [0.75, "#eda268"], [1.0, "#a63c06"]]


@dataclass(frozen=True, slots=True)
class Map:
    """middle: where the colours are neutral.  least: their least reach to both sides, so that what is
    usual stays pale.
    """

    metric: str
    title: str
    middle: float
    unit: str
    least: float


# least reach: 15 % of resistance, 10 mV: common practice for sound packs
MAPS = (
    Map("cell_r_ratio", "Resistance of each group over the pack's median group", 1.0, "1", 0.15),
    Map("cell_level_mv", "Voltage of each group above the pack's median at zero current", 0.0, "mV", 10.0),
)


def blocks(facts: Facts, chosen: Map) -> list[Block]:
    """The map as a figure; nothing when no session gave the metric."""
    groups = [item for item in items(facts, chosen.metric) if item]
    readings = [metric_series(facts, chosen.metric, item) for item in groups]
    times = sorted({int(t) for of in readings for t in of.t})
    if not times:
        return []
    place = {t: i for i, t in enumerate(times)}
    z = np.full((len(groups), len(times)), np.nan)
    for row, of in enumerate(readings):
        z[row, [place[int(t)] for t in of.t]] = of.value
    days = [numbers.day(from_micros(t), facts.zone) for t in times]
    shown = numbers.unit(chosen.unit)
    worst = groups[int(np.nanargmax(np.nanmean(np.abs(z - chosen.middle), axis=1)))]
    figure = PageFigure(
        id=f"map-{chosen.metric.replace('_', '-')}",
        title=chosen.title + (f" [{shown}]" if shown else " [ratio]"),
        alt=f"Heat map of {len(groups)} groups by {len(times)} sessions; group {worst} stands out most on average.",
        spec=_spec(chosen, groups, days, z),
        note=f"n = {numbers.plural(len(times), 'session')}, one column each, spaced evenly whatever the time between. "
        "Empty cells: not measurable in that session.",
        head=("Group", "Lowest", "Median", "Highest", "Sessions"),
        body=[_row(group, values) for group, values in zip(groups, z, strict=True)],
        height=130 + 22 * len(groups),
    )
    return [Drawn(figure)]


def _spec(chosen: Map, groups: list[str], days: list[str], z: NDArray[np.float64]) -> Spec:
    reach = max(chosen.least, float(np.nanquantile(np.abs(z - chosen.middle), 0.995)))
    shown = numbers.unit(chosen.unit)
    trace: Spec = {
        "type": "heatmap",
        "z": [[None if np.isnan(v) else round(float(v), 4) for v in row] for row in z],
        "x": list(range(len(days))),
        "y": [f"group {g}" for g in groups],
        "zmid": chosen.middle,
        "zmin": chosen.middle - reach,
        "zmax": chosen.middle + reach,
        "colorscale": DIVERGING,
        "xgap": 1,
        "ygap": 1,
        "colorbar": {"title": {"text": f"[{shown}]" if shown else "ratio"}, "thickness": 12, "outlinewidth": 0},
        "customdata": [days] * len(groups),
        "hovertemplate": "%{y}, %{customdata}: %{z:.3f} " + shown + "<extra></extra>",
    }
    every = max(1, len(days) // 8)
    ticks = {"tickvals": list(range(0, len(days), every)), "ticktext": days[::every]}
    x = axis("Session, in order of time", automargin=True, **ticks)
    y = axis("", autorange="reversed", type="category", automargin=True)
    return {"data": [trace], "layout": layout(130 + 22 * len(groups), xaxis=x, yaxis=y, showlegend=False)}


def _row(group: str, values: NDArray[np.float64]) -> tuple[str, ...]:
    low, mid, high = (numbers.number(float(f(values))) for f in (np.nanmin, np.nanmedian, np.nanmax))
    return f"group {group}", low, mid, high, str(int(np.isfinite(values).sum()))
