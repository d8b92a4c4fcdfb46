"""The cell page: every group over time, and offset, capacity and resistance told apart, with intervals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.reports.drawing import heat_map
from herdbook.pipeline.reports.drawing.readings import (
    Z95,
    MetricSeries,
    dots_over_time,
    items,
    life_axis,
    metric_series,
    natural,
)
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, bar_spec, layout, markers
from herdbook.pipeline.reports.words import numbers

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 10  # place in the dossier
RECENT = 10  # sessions pooled for a group's resistance


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    blocks: list[Block] = []
    for chosen in heat_map.MAPS:
        blocks += heat_map.blocks(facts, chosen)
    blocks += _split(facts)
    blocks += _resistance(facts)
    blocks += _balancer(facts)
    if not blocks:
        blocks.append(Note("No group voltages are on record, or no session was fit to split them.", "absent"))
    lead = (
        "In the flat middle of the charge curve a millivolt is several percent of charge, so a small spread there "
        "proves little. Offsets are read at the knees near full and near empty; resistance from answers to current "
        "steps."
    )
    return Leaf("cells", "Cell groups", lead, blocks)


def _split(facts: Facts) -> list[Block]:
    """Offset at the top, capacity (bottom less top) and resistance, group by group with 95 % intervals."""
    names = {i for m in ("cell_offset_top_ah", "cell_offset_bottom_ah", "cell_r_ratio") for i in items(facts, m) if i}
    groups = [_one_group(facts, name) for name in sorted(names, key=natural)]
    if not groups:
        return []
    panels = (
        ("Offset near full [Ah]", [g.offset for g in groups], True),
        ("Capacity difference [Ah]", [g.capacity for g in groups], True),
        ("Resistance ratio", [g.ratio for g in groups], False),
    )
    data: list[Spec] = []
    axes: dict[str, Spec] = {}
    for index, (title, values, from_zero) in enumerate(panels):
        suffix = "" if index == 0 else str(index + 1)
        data.append(_interval_dots(title, [f"group {g.name}" for g in groups], values, index, suffix))
        domain = [index / 3 + 0.02, (index + 1) / 3 - 0.02]
        mode = "tozero" if from_zero else "normal"
        axes["xaxis" + suffix] = axis(title, domain=domain, zeroline=True, zerolinecolor="@ink", rangemode=mode)
    height = 130 + 24 * len(groups)
    y = axis("", autorange="reversed", type="category", automargin=True)
    spec = {"data": data, "layout": layout(height, yaxis=y, **axes | {"showlegend": False})}
    alt = "Three dot plots side by side, one dot a group with its interval: offset, capacity, resistance."
    note = (
        "Bars: 95 % intervals (1.96 standard errors). Offset: newest session that reached the knee. Capacity: newest "
        f"reading near empty less newest near full. Resistance: up to {RECENT} newest sessions pooled."
    )
    figure = PageFigure("cell-split", "Offset, capacity and resistance told apart", alt, spec, note, height=height)
    return [Drawn(figure), _split_table(groups)]


Value = tuple[float, float | None]  # with its standard error


@dataclass(frozen=True, slots=True)
class GroupAgainstMedian:
    """What is known of one group against the median group. None: not seen."""

    name: str
    offset: Value | None
    capacity: Value | None
    ratio: Value | None
    sessions: int


def _interval_dots(title: str, names: list[str], values: list[Value | None], index: int, suffix: str) -> Spec:
    reach = [Z95 * (v[1] or 0.0) if v else None for v in values]
    return markers(
        title,
        [v[0] if v else None for v in values],
        names,
        "@line1",
        ("circle", "diamond", "square")[index],
        xaxis=f"x{suffix}",
        error_x={"type": "data", "array": reach, "width": 3, "color": "@line1"},
    )


def _one_group(facts: Facts, group: str) -> GroupAgainstMedian:
    top, bottom = (_newest(metric_series(facts, f"cell_offset_{end}_ah", group)) for end in ("top", "bottom"))
    capacity = None
    if top and bottom:
        capacity = (bottom[0] - top[0], float(np.hypot(top[1] or 0.0, bottom[1] or 0.0)) or None)
    ratios = metric_series(facts, "cell_r_ratio", group).last(RECENT)
    return GroupAgainstMedian(group, top, capacity, ratios.pooled() if len(ratios) else None, len(ratios))


def _newest(of: MetricSeries) -> Value | None:
    return (float(of.value[-1]), float(of.se[-1]) if np.isfinite(of.se[-1]) else None) if len(of) else None


def _split_table(groups: list[GroupAgainstMedian]) -> PageTable:
    def said(value: Value | None, unit: str) -> str:
        return numbers.amount(value[0], unit, value[1]) if value else "not seen"

    body = [
        (f"group {g.name}", said(g.offset, "Ah"), said(g.capacity, "Ah"), said(g.ratio, "1"), str(g.sessions))
        for g in groups
    ]
    head = ("Group", "Offset near full", "Capacity difference", "Resistance ratio", "Sessions behind the ratio")
    return PageTable("Group by group, one standard error", head, body, frozenset({1, 2, 3, 4}))


def _resistance(facts: Facts) -> list[Block]:
    """Median group's resistance over life, at 25 °C where that could be computed."""
    colors, symbols = ("@line1", "@line2", "@line3"), ("circle", "diamond", "square")
    found = [(pulse, metric_series(facts, f"group_dcr_{pulse}_25c_mohm")) for pulse in ("0.5s", "2s", "10s")]
    drawn = [(pulse, of) for pulse, of in found if len(of)]
    if not drawn:
        return []
    data = [
        dots_over_time(facts, of, f"{pulse} after the step", c, s)
        for (pulse, of), c, s in zip(drawn, colors, symbols, strict=False)
    ]
    x, y = life_axis(facts), axis("Resistance at 25 °C [mΩ]", rangemode="tozero")
    n = max(len(of) for _, of in drawn)
    pulses = numbers.listing([p for p, _ in drawn])
    alt = f"Resistance of the median group over {n} sessions, for pulse times of {pulses}."
    note = f"n = {numbers.plural(n, 'session')}. A resistance means nothing without pulse time and temperature."
    spec = {"data": data, "layout": layout(320, xaxis=x, yaxis=y, hovermode="x unified")}
    title = "Resistance of the median group [mΩ]"
    head = ("After the step", "Newest [mΩ]", "Sessions")
    newest = [numbers.amount(float(of.value[-1]), "mOhm", _known(of.se[-1])) for _, of in drawn]
    body = [(pulse, said, str(len(of))) for (pulse, of), said in zip(drawn, newest, strict=True)]
    return [Drawn(PageFigure("cell-resistance", title, alt, spec, note, sync="life", head=head, body=body))]


def _known(se: float) -> float | None:
    return float(se) if np.isfinite(se) else None


def _balancer(facts: Facts) -> list[Block]:
    groups = [i for i in items(facts, "cell_bled_ah") if i]
    if not groups:
        return []
    sums = [float(metric_series(facts, "cell_bled_ah", g).value.sum()) for g in groups]
    hours = [float(metric_series(facts, "cell_bleed_s", g).value.sum()) / 3600 for g in groups]
    n = len({int(t) for g in groups for t in metric_series(facts, "cell_bleed_s", g).t})
    if not any(sums):
        text = f"The balancer took nothing from any group in the {numbers.plural(n, 'session')} that report its state."
        return [Note(text)]
    names = [f"group {g}" for g in groups]
    spec = bar_spec(names, sums, "@line3", 280, x="", y="Charge bled [Ah]")
    body = [(f"group {g}", numbers.number(s), numbers.number(h)) for g, s, h in zip(groups, sums, hours, strict=True)]
    most = groups[int(np.argmax(sums))]
    alt = f"Bar chart from zero: charge the balancer took from each group; most from group {most}."
    note = f"Summed over n = {numbers.plural(n, 'session')} in which the balancer's state is on the bus."
    figure = PageFigure(
        "cell-balancer",
        "What the balancer took from each group [Ah]",
        alt,
        spec,
        note,
        height=280,
        head=("Group", "Charge bled [Ah]", "Hours on [h]"),
        body=body,
    )
    return [Drawn(figure)]
