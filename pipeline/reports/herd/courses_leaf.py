"""Of the herd's page: where capacity, resistance, leak and drag go, the vehicles nearest to a limit drawn."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING

from herdbook.pipeline.health.herd_figures import FIGURES
from herdbook.pipeline.herd.courses import Courses, VehicleCourse, courses
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.page.figure import LINES, PageFigure, Spec, axis, label, layout, markers
from herdbook.pipeline.reports.words import numbers

if TYPE_CHECKING:
    import duckdb

DRAWN, LISTED, MOST = 4, 12, 300
DAY_MS = 86_400_000.0


def leaf(con: duckdb.DuckDBPyConnection, until: datetime, limits: Mapping[str, Mapping[str, float]]) -> Leaf:
    blocks: list[Block] = []
    silent = []
    for figure in (f for f in FIGURES if f.ages):
        found = courses(con, figure, until=until, limits=limits, draw=DRAWN, most=MOST)
        if not any(c.now for c in found.rows):
            silent.append(f"{figure.words} ({numbers.plural(len(found.rows), 'vehicle')} with a value)")
            continue
        if found.drawn:
            blocks.append(Drawn(_figure(found)))
        blocks.append(_table(found))
        blocks += [Note(f"{profile}: {said}.") for profile, said in sorted(found.bends.items())]
    if silent:
        blocks.append(Note(f"Not enough to say: {'; '.join(silent)}.", "absent"))
    lead = (
        "Each vehicle's course, drawn to those of its type as far as its own values are few, with its 95 % interval; "
        f"it may bend, as the herd's do. At most {MOST} vehicles a type, those nearest to the bad end. All holds if it "
        "goes on like this: a knee that has not shown itself in any vehicle is in no forecast."
    )
    return Leaf("courses", "Where figures are going", lead, blocks)


def _figure(found: Courses) -> PageFigure:
    figure = found.figure
    data: list[Spec] = []
    for order, ((vehicle, item), d) in enumerate(found.drawn.items()):
        color = LINES[order % len(LINES)]
        name = f"{vehicle} {f'group {item}' if item else ''}".strip()
        spots = markers(name, (d.days * DAY_MS).tolist(), d.values.tolist(), color, showlegend=False)
        spots["marker"] |= {"size": 4, "opacity": 0.6}
        data.append(spots)
        for side, values in (("", d.line), (" low", d.low), (" high", d.high)):
            line = {"color": color, "width": 1.0 if side else 2.0, "dash": "dot" if side else "solid"}
            trace = {"type": "scatter", "mode": "lines", "name": label(name), "line": line, "showlegend": not side}
            data.append(trace | {"x": (d.at * DAY_MS).tolist(), "y": values.tolist()})
    limit = next((c.limit for c in found.rows if c.limit is not None), None)
    near = [v for d in found.drawn.values() for v in (*d.values, *d.line)]
    span = max(near) - min(near) or 1.0
    shapes = []
    if limit is not None and min(near) - span <= limit <= max(near) + span:
        look = {"color": "@service", "width": 1.4, "dash": "dash"}
        shapes = [{"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": limit, "y1": limit, "line": look}]
    unit = numbers.unit(figure.unit)
    words = f"{figure.words[:1].upper()}{figure.words[1:]}"
    far = (
        f" Limit {limit:g} {unit}{'' if shapes else ', beyond the picture'}.".replace(" .", ".")
        if limit is not None
        else ""
    )
    axes = {"xaxis": axis("Date", type="date"), "yaxis": axis(f"[{unit}]" if unit else "ratio")}
    return PageFigure(
        id=f"course-{figure.name}",
        title=words + (f" [{unit}]" if unit else ""),
        alt=f"{len(found.drawn)} vehicles: readings as dots, their courses with dotted 95 % ends into the time ahead.",
        spec={"data": data, "layout": layout(320, shapes=shapes, **axes)},
        note=numbers.with_minus(f"Drawn: {numbers.plural(len(found.drawn), 'vehicle')}, the first.{far} Dotted: 95 %."),
        height=320,
    )


def _table(found: Courses) -> PageTable:
    figure = found.figure
    unit = numbers.unit(figure.unit)
    shown = [c for c in found.rows if c.now is not None][:LISTED]
    items = any(c.item for c in shown)
    rows = [_row(c, items=items) for c in shown]
    told = sum(c.now is not None for c in found.rows)
    behind = ", ".join(f"{p}: {n or 'each alone'}" for p, n in sorted(found.herd.items()))
    now = f"Now{f' [{unit}]' if unit else ''} (95 %)"
    head = ("Vehicle", *(("Group",) if items else ()), "Values", now, "In 90 days (95 %)", "Limit")
    caption = (
        f"{figure.words[:1].upper()}{figure.words[1:]}: the first {len(rows)}; of {told} of "
        f"{numbers.plural(len(found.rows), 'vehicle')} there is enough to say (series behind it: {behind})"
    )
    return PageTable(caption, head, rows, frozenset({2 if items else 1}))


def _row(c: VehicleCourse, *, items: bool) -> tuple[str, ...]:
    return c.vehicle, *((c.item,) if items else ()), str(c.n), _span(c.now), _span(c.soon), c.words


def _span(values: tuple[float, float, float] | None) -> str:
    if values is None:
        return "–"
    one, low, high = (numbers.number(v, 4) for v in values)
    return numbers.with_minus(f"{one} ({low} to {high})")
