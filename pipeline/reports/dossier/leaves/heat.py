"""The heat page: is it as warm as its load explains, how warm was it for how long, and what ran hottest when."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.reports.drawing.readings import (
    Z95,
    MetricSeries,
    dots_over_time,
    items,
    life_axis,
    metric_series,
)
from herdbook.pipeline.reports.drawing.sensors import sensors
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, bar_spec, diagonal, layout, markers
from herdbook.pipeline.reports.record import profile_of
from herdbook.pipeline.reports.words import cautions, numbers
from herdbook.pipeline.times import from_micros

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 30  # place in the dossier
SYMBOLS = ("circle", "diamond", "square", "triangle-up", "cross", "x")
COLORS = ("@line1", "@line2", "@line3", "@line4", "@line5", "@line6")
HOTTEST = (("cell_temp_max_c", "cells"), ("motor_temp_max_c", "windings"), ("fet_temp_max_c", "power stage"))


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    profile = profile_of(store, facts.about["profile"])
    blocks: list[Block] = [
        *_explained(facts, "pack_heat", "Pack: rise of cell temperature, measured against explained by the load [K]"),
        *_explained(facts, "winding_heat", "Windings: rise measured against explained by copper loss [K]"),
        *sensors(facts, profile.pack_figures.plan if profile is not None else ()),
        *_exposure(facts),
        *_hottest(facts),
    ]
    if blocks:
        known = metric_series(facts, "ambient_known")
        if len(known):
            share = f"{int(known.value.sum())} of {len(known)} sessions"
            blocks.append(Note(f"The air temperature is known, or the session began cold-soaked, in {share}."))
        blocks += [Note(f"{c.text} (Source: {c.source})", "caution") for c in (cautions.HEAT, cautions.TOUCH)]
    else:
        blocks.append(Note("No temperatures are on record.", "absent"))
    lead = "A sensor reads its own spot; hot spots between sensors are warmer. A nightly batch is not a safety system."
    return Leaf("heat", "Heat", lead, blocks)


def _explained(facts: Facts, stem: str, title: str) -> list[Block]:
    """Session by session: what the load explains across, what was measured up; on the line both agree."""
    data: list[Spec] = []
    top, n = 1.0, 0
    body: list[tuple[str, ...]] = []
    for order, item in enumerate(items(facts, f"{stem}_rise_k")):
        rise, why = metric_series(facts, f"{stem}_rise_k", item), metric_series(facts, f"{stem}_explained_k", item)
        if not len(why):
            why = metric_series(facts, f"{stem}_explained_k")
        times, a, b = np.intersect1d(rise.t, why.t, return_indices=True)
        if not times.size:
            continue
        x, y, se = why.value[b], rise.value[a], np.nan_to_num(Z95 * rise.se[a])
        top, n = max(top, float(x.max()), float((y + se).max())), n + times.size
        name = item if item else "whole pack"
        bars = {"type": "data", "array": se.tolist(), "thickness": 1, "width": 0, "color": COLORS[order % 6]}
        days = [numbers.day(from_micros(int(t)), facts.zone) for t in times]
        trace = markers(name, x.tolist(), y.tolist(), COLORS[order % 6], SYMBOLS[order % 6], error_y=bars, text=days)
        data.append(trace | {"hovertemplate": "%{text}: explained %{x:.1f} K, measured %{y:.1f} K"})
        over = int((y - se > x).sum())
        body.append((name, str(times.size), numbers.number(float(np.median(y - x))), f"{over} of {times.size}"))
    if not data:
        return []
    axes = {
        "xaxis": axis("Explained rise [K]", rangemode="tozero"),
        "yaxis": axis("Measured rise [K]", rangemode="tozero"),
    }
    spec = {"data": data, "layout": layout(380, shapes=[diagonal(top)], **axes)}
    alt = f"Scatter of {n} session figures; dots above the dashed line are warmer than the load explains."
    note = f"n = {n}. Dashed: measured equals explained. Bars: 95 % intervals of the fit."
    head = ("Item", "Sessions", "Median excess [K]", "Above the line beyond its interval")
    return [Drawn(PageFigure(f"heat-{stem.split('_')[0]}", title, alt, spec, note, head=head, body=body, height=380))]


def _exposure(facts: Facts) -> list[Block]:
    ranges = [i for i in items(facts, "cell_temp_exposure_h") if i]
    if not ranges:
        return []
    hours = [float(metric_series(facts, "cell_temp_exposure_h", r).value.sum()) for r in ranges]
    shown = [r.replace("..", " to ") for r in ranges]
    spec = bar_spec(shown, hours, "@line2", 280, x="Cell temperature [°C]", y="Time [h]")
    n = len({int(t) for r in ranges for t in metric_series(facts, "cell_temp_exposure_h", r).t})
    body = [(r, numbers.number(h)) for r, h in zip(shown, hours, strict=True)]
    alt = f"Histogram from zero of hours at each cell temperature; {numbers.number(sum(hours))} hours in all."
    note = f"Recorded time only, n = {numbers.plural(n, 'session')}, {numbers.number(sum(hours))} h in all."
    figure = PageFigure(
        "heat-exposure",
        "Time spent at each cell temperature [h]",
        alt,
        spec,
        note,
        height=280,
        head=("Range [°C]", "Hours [h]"),
        body=body,
    )
    return [Drawn(figure)]


def _hottest(facts: Facts) -> list[Block]:
    data: list[Spec] = []
    rows: list[tuple[str, ...]] = []
    for order, (metric, name) in enumerate(HOTTEST):
        for place, item in enumerate(items(facts, metric)):
            of = metric_series(facts, metric, item)
            shown = f"{name} {item}".strip()
            data.append(dots_over_time(facts, of, shown, COLORS[order], SYMBOLS[(order + 3 * place) % 6]))
            rows.append(_peak(facts, of, shown))
    if not data:
        return []
    x, y = life_axis(facts), axis("Hottest reading [°C]")
    spec = {"data": data, "layout": layout(340, xaxis=x, yaxis=y, hovermode="x unified")}
    n = sum(int(row[1]) for row in rows)
    note = f"n = {n} session figures; the hottest reading of a session as a mean over ten seconds."
    alt = "Hottest readings of each session over the life of the unit."
    figure = PageFigure(
        "heat-hottest",
        "Hottest reading of each session [°C]",
        alt,
        spec,
        note,
        sync="life",
        height=340,
        head=("Where", "Sessions", "Highest [°C]", "On"),
        body=rows,
    )
    return [Drawn(figure)]


def _peak(facts: Facts, of: MetricSeries, name: str) -> tuple[str, ...]:
    k = int(np.argmax(of.value))
    on = numbers.day(from_micros(int(of.t[k])), facts.zone)
    return name, str(len(of)), numbers.number(float(of.value[k])), on
