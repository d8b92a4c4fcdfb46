"""Of the herd's page: how often vehicles come back by age, and how long it takes up to the first time."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.herd.horizon import record_end
from herdbook.pipeline.herd.returns import GroupReturns, Returns, returns
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.page.figure import LINES, PageFigure, Spec, axis, label, layout, markers
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.science.probability_plot import height as on_paper
from herdbook.pipeline.science.probability_plot import probability_plot

if TYPE_CHECKING:
    import duckdb

MOST_GROUPS = 6  # drawn; the largest
MOST_POINTS = 200
SHARES = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.9, 0.99)


def leaf(con: duckdb.DuckDBPyConnection, until: datetime) -> Leaf:
    until = record_end(con, until)
    found = returns(con, by="batch", until=until)
    if found is None or not found.groups:
        none = Note("Not enough to say: the service book has no repair and no return of a vehicle on record.", "absent")
        return Leaf("returns", "How often vehicles come back", blocks=[none])
    blocks: list[Block] = [_table(found)]
    drawn = sorted(found.groups, key=lambda g: -g.events)[:MOST_GROUPS]
    drawn = sorted((g for g in drawn if g.events), key=lambda g: g.group)
    if drawn:
        blocks += [Drawn(_mean(drawn)), Drawn(_paper(drawn))]
    parts = returns(con, by="part", until=until)
    if parts is not None and parts.groups:
        blocks.append(_table(parts))
    lead = (
        f"Repairs, returns and parts taken out that were not said to be sound, one a vehicle and day, from "
        f"{found.since:%Y-%m-%d} to {found.until:%Y-%m-%d}; {numbers.plural(found.left_out, 'vehicle')} without a day "
        "of watch left out. What was not yet seen to fail counts as long as it was watched (censored)."
    )
    return Leaf("returns", "How often vehicles come back", lead, blocks)


def _table(found: Returns) -> PageTable:
    def row(g: GroupReturns) -> tuple[str, ...]:
        mean = "none yet"
        if g.events:
            mean = f"{g.curve.mean[-1]:.2f} ({g.curve.low[-1]:.2f} to {g.curve.high[-1]:.2f})"
        ahead = f"{g.ahead.mean:.1f} ({g.ahead.low} to {g.ahead.high})" if g.ahead else "none is watched on"
        spares = str(g.spares) if g.ahead else ""
        return g.group, numbers.count(g.vehicles), numbers.count(round(g.watched)), str(g.events), mean, ahead, spares

    of = found.by
    head = (
        *(of.capitalize(), "Vehicles", "Days watched", "Repairs", "Repairs a vehicle (95 %)"),
        *(f"Next {found.days} days (95 %)", f"Spares for {100 * found.level:g} %"),
    )
    return PageTable(
        f"Repairs by {of}, and what to expect", head, [row(g) for g in found.groups], frozenset({1, 2, 3, 6})
    )


def _mean(groups: list[GroupReturns]) -> PageFigure:
    data: list[Spec] = []
    for order, g in enumerate(groups):
        t = np.concatenate([[0.0], g.curve.times])
        color = LINES[order % len(LINES)]
        for side, values in (("", g.curve.mean), (" low", g.curve.low), (" high", g.curve.high)):
            x, y = _few(t, np.concatenate([[0.0], values]))
            line = {"color": color, "width": 1.0 if side else 2.0, "shape": "hv", "dash": "dot" if side else "solid"}
            name = f"{g.group} (n = {g.vehicles})"
            trace = {"type": "scatter", "mode": "lines", "name": label(name), "x": x, "y": y, "line": line}
            data.append(trace | {"showlegend": not side})
    axes = {"xaxis": axis("Age [days]"), "yaxis": axis("Repairs a vehicle", rangemode="tozero")}
    body = [
        (g.group, f"{t:.0f}", f"{m:.3f}", f"{a:.3f}", f"{b:.3f}", str(w))
        for g in groups
        for t, m, a, b, w in list(
            zip(g.curve.times, g.curve.mean, g.curve.low, g.curve.high, g.curve.watched, strict=True)
        )[-1:]
    ]
    return PageFigure(
        id="returns-mean",
        title="Mean number of repairs of a vehicle by age",
        alt=f"Step lines of {len(groups)} groups, with dotted 95 % ends.",
        spec={"data": data, "layout": layout(360, **axes)},
        note="Mean cumulative number; dotted: 95 %, robust. Ages at which few are watched say little.",
        head=("Group", "Last age with a repair", "Mean", "95 % from", "to", "Watched then"),
        body=body,
        height=360,
    )


def _few(x: Floats, y: Floats) -> tuple[list[float], list[float]]:
    keep = np.unique(np.linspace(0, x.size - 1, min(x.size, MOST_POINTS)).astype(int))
    return x[keep].round(2).tolist(), y[keep].round(5).tolist()


def _paper(groups: list[GroupReturns]) -> PageFigure:
    data: list[Spec] = []
    for order, g in enumerate(groups):
        plot = probability_plot(g.first)
        known = np.isfinite(plot.height) & (plot.times > 0)
        x, y = np.log10(plot.times[known]), plot.height[known]
        color = LINES[order % len(LINES)]
        data.append(markers(f"{g.group} (n = {g.vehicles})", *_few(x, y), color))
        if g.fit is not None and x.size:
            ends = np.linspace(float(x.min()), float(x.max()), 40)
            hazard = (10**ends / g.fit.scale) ** g.fit.shape - (g.youngest / g.fit.scale) ** g.fit.shape
            line = np.log(np.maximum(hazard, 1e-9))  # of those alive where the watch begins, as the marks are
            about = {"type": "scatter", "mode": "lines", "name": "Weibull", "line": {"color": color, "width": 1.4}}
            data.append(about | {"x": ends.tolist(), "y": line.tolist(), "showlegend": False})
    heights = [v for t in data for v in t["y"]]
    reach = (min(heights, default=-5.0) - 0.3, max(heights, default=0.0) + 0.3)
    shown = [s for s in SHARES if reach[0] <= float(on_paper(np.array(s))) <= reach[1]]
    ticks = {"tickvals": [float(on_paper(np.array(s))) for s in shown], "ticktext": [f"{100 * s:g} %" for s in shown]}
    days = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
    x_ticks = {"tickvals": [float(np.log10(d)) for d in days], "ticktext": [str(d) for d in days]}
    axes = {
        "xaxis": axis("Age at the first repair [days]", **x_ticks),
        "yaxis": axis("Came back by then", range=list(reach), **ticks),
    }
    body = [(g.group, str(g.back), *_weibull(g)) for g in groups]
    return PageFigure(
        id="returns-paper",
        title="Up to the first repair, on Weibull paper",
        alt=f"Marks of {len(groups)} groups; a straight line is a Weibull life.",
        spec={"data": data, "layout": layout(380, **axes)},
        note="Of vehicles alive at the age from which five are watched. Lines: the likeliest Weibull life.",
        head=("Group", "Came back", "63 % by [days] (95 %)", "Shape (95 %)"),
        body=body,
        height=380,
    )


def _weibull(g: GroupReturns) -> tuple[str, str]:
    if g.fit is None:
        return "not enough to say", "not enough to say"

    def span(value: float, low: float | None, high: float | None, digits: int) -> str:
        ends = [f"{v:.{digits}f}" if v is not None else "open" for v in (low, high)]
        return f"{value:.{digits}f} ({ends[0]} to {ends[1]})"

    f = g.fit
    return span(f.scale, f.scale_low, f.scale_high, 0), span(f.shape, f.shape_low, f.shape_high, 2)
