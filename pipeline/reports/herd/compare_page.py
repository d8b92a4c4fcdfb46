"""Two sides compared on one page: the figures that differ drawn over each other, every other one in a table."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from herdbook.pipeline.herd.compare import Compared, Readings
from herdbook.pipeline.herd.two_sides import TwoSides
from herdbook.pipeline.reports.herd import compare_words as words
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, label, layout, local_ms, markers
from herdbook.pipeline.reports.words import cautions, numbers
from herdbook.pipeline.times import micros

MOST_DRAWN, MOST_QUIET = 12, 4  # figures; of a repair that changed none, the nearest to a change
HEIGHT = 260
COLORS, SYMBOLS = ("@line1", "@strong"), ("circle", "diamond")
Z95 = 1.959964


def write_compare(two: TwoSides, out: Path | str, zone: ZoneInfo | None) -> Path:
    """Write the page; the file written. out: a file, or a folder to put it in."""
    first, second = two.found.sides
    stem = first.vehicle if two.from_t is not None else f"{first.vehicle}-{second.vehicle}"
    page = html.render(
        "compare.html.j2",
        title=words.title(two),
        said=[numbers.with_minus(line) for line in words.lead(two)],
        blocks=blocks(two, zone),
        zone=zone.key if zone else "UTC",
        law=cautions.LAW,
        entry=two.entry,
    )
    return html.write(html.target(out, f"compare-{html.file_name(stem)}.html"), page)


def blocks(two: TwoSides, zone: ZoneInfo | None) -> list[Block]:
    found = two.found
    head = _heads(words.figure_head(found))
    out: list[Block] = []
    asked, rest = words.asked_about(found), words.others(found)
    if asked:
        rows = [(*_row(f), words.more_words(f)) for f in asked]
        folded = len(rows) > words.MOST_ASKED
        out.append(PageTable(words.asked_title(two), (*head, "To be sure"), rows, folded=folded))
    if rest:
        out.append(PageTable(words.rest_title(found), head, [_row(f) for f in rest]))
    told = [f for f in asked if f.differs] or asked[:MOST_QUIET]
    drawn = [*told, *(f for f in rest if f.differs)][:MOST_DRAWN] or rest
    out += [Drawn(_figure(two, f, order, zone)) for order, f in enumerate(drawn)]
    out.append(PageTable("Sessions on each side", _heads(words.USE_HEAD), words.use_rows(found)))
    out += [Note(numbers.with_minus(line)) for line in words.beside(two)]
    if found.figures:
        every = [_row(f) for f in found.figures]
        out.append(PageTable("Every figure compared", head, every, folded=True))
    out.append(Note(words.HOW))
    return out


def _row(f: Compared) -> tuple[str, ...]:
    return tuple(numbers.with_minus(cell) for cell in words.figure_row(f))


def _heads(head: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(name[0].upper() + name[1:] for name in head)


def _figure(two: TwoSides, f: Compared, order: int, zone: ZoneInfo | None) -> PageFigure:
    """Both sides' sessions over time, with the levels as lines and their 95 % bands in words."""
    data: list[Spec] = []
    shapes: list[Spec] = []
    d = f.difference
    assert d is not None
    for side, readings, level, color, symbol in zip(
        two.found.sides, (f.first, f.second), (d.first, d.second), COLORS, SYMBOLS, strict=True
    ):
        x = _times(readings, zone)
        data.append(_dots(f"{side.title} (n = {readings.values.size})", readings, x, color, symbol))
        line = {"color": color, "width": 1.6, "dash": "dash"}
        shapes.append({"type": "line", "x0": min(x), "x1": max(x), "y0": level, "y1": level, "line": line})
    reach = [min(s["x0"] for s in shapes), max(s["x1"] for s in shapes)]
    pad = max(0.04 * (reach[1] - reach[0]), 12 * 3.6e6)
    for s in shapes:  # a level of one session would have no length
        s["x0"], s["x1"] = (s["x0"], s["x1"]) if s["x1"] > s["x0"] else (s["x0"] - pad / 2, s["x1"] + pad / 2)
    shown = numbers.unit(f.unit)
    axes = {
        "xaxis": axis(f"Date ({zone.key if zone else 'UTC'})", type="date", range=[reach[0] - pad, reach[1] + pad]),
        "yaxis": axis(f"[{shown}]" if shown else ""),
    }
    row = _row(f)
    spec = {"data": data, "layout": layout(HEIGHT, shapes=shapes, **axes)}
    title = f"{row[0][0].upper()}{row[0][1:]}, in each {f.kind}"
    note = f"Change {row[5]}; by chance alone {row[6]}. Dashed: the mean of either side; bars: 95 % of one session."
    alt = f"{title}: {row[3]} on the first side and {row[4]} on the second."
    return PageFigure(f"compared-{order}", title, alt, spec, note, height=HEIGHT)


def _times(readings: Readings, zone: ZoneInfo | None) -> list[float]:
    return [float(t) for t in local_ms(np.array([micros(t) for t in readings.t], np.int64), zone)]


def _dots(name: str, readings: Readings, x: list[float], color: str, symbol: str) -> Spec:
    trace = markers(label(name), x, readings.values.tolist(), color, symbol)
    if np.isfinite(readings.errors).all():
        reach = (Z95 * readings.errors).tolist()
        trace["error_y"] = {"type": "data", "array": reach, "thickness": 1, "width": 0, "color": color}
    return trace
