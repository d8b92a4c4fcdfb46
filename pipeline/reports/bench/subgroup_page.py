"""Page of a line's subgroups: means and spreads with their limits, and the groups as files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.bench.study.in_subgroups import GroupChart
from herdbook.pipeline.reports.bench import line_words as words
from herdbook.pipeline.reports.bench.line_figures import HEIGHT
from herdbook.pipeline.reports.bench.line_pages import DRAWN, drawn_words, study_page, written
from herdbook.pipeline.reports.page.blocks import Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, label, layout, markers
from herdbook.pipeline.reports.words import numbers

if TYPE_CHECKING:
    import polars as pl

METHOD = (
    "Subgroups are rational where only chance lies between their units. What varies within them gives one standard "
    "deviation, from mean ranges (R, up to ten units a group) or mean standard deviations (S), each over the constant "
    "of its size; limits lie three standard deviations of a mean, or of a range or standard deviation, away. Groups "
    "that differ in size have limits of their own. A line is called not steady only when steady lines, simulated with "
    "the same groups and baseline, go as far in less than 5 % (after Holm, among all series looked at)."
)


@dataclass(frozen=True, slots=True)
class _Chart:
    """All arrays (groups,). up: what stands upright."""

    title: str
    up: str
    values: Floats
    low: Floats
    high: Floats
    out: Bools


def write_groups(figure: str, said: str, charts: Sequence[GroupChart], out: Path, source: str) -> list[Path]:
    """Page and tables; the files written, the page first. said: the figure in words. Raises: StoreError."""
    import polars as pl

    first, second = words.group_sentences(charts)
    known = [c for c in charts if c.found is not None]
    shown = sorted(known, key=lambda c: c.p)[:DRAWN]
    body = words.group_rows(charts)
    rows = [
        (c.item, c.line, name, f.sizes[i], *(float(v[i]) for v in _columns(c)), c.unit)
        for c in known
        if (f := c.found) is not None
        for i, name in enumerate(c.names)
    ]
    columns = ("mean", "mean_low", "mean_high", "spread", "spread_low", "spread_high")
    schema: dict[str, pl.DataType | type[pl.DataType]] = {
        **dict.fromkeys(("item", "line", "group"), pl.String),
        "units": pl.Int64,
        **dict.fromkeys(columns, pl.Float64),
        "unit": pl.String,
    }
    frames = {
        "groups": pl.DataFrame(rows, schema=schema, orient="row"),
        "summary": pl.DataFrame(body, schema=list(words.GROUP_HEAD), orient="row"),
    }
    drawn = [Drawn(one) for k, c in enumerate(shown) for one in _figures(c, k)]
    leaves = [
        Leaf("items", "Every series", "", [PageTable("Each item on each line", words.GROUP_HEAD, body)]),
        Leaf("charts", "The charts", drawn_words(len(shown), len(known)), [*drawn]),
        Leaf("method", "How it was found", "", [Note(METHOD)]),
    ]
    page = study_page("charts of subgroups", said, first, second, [t for c in charts for t in c.told], leaves, source)
    return written(page, frames, out, f"line-subgroups-{figure}")


def _columns(c: GroupChart) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    f = c.found
    assert f is not None
    return f.means, f.mean_low, f.mean_high, f.spreads, f.spread_low, f.spread_high


def _figures(c: GroupChart, number: int) -> list[PageFigure]:
    """Means above, spreads below."""
    f = c.found
    assert f is not None
    x = [float(i) for i in range(1, len(c.names) + 1)]
    of = "".join(f", {word} {name}" for word, name in (("item", c.item), ("line", c.line)) if name)
    unit = f" [{numbers.unit(c.unit)}]" if numbers.unit(c.unit) else ""
    shade = {"type": "rect", "x0": 0.5, "x1": f.first + 0.5, "fillcolor": "@shade", "yref": "paper", "y0": 0, "y1": 1}
    shade |= {"line": {"width": 0}, "layer": "below"}
    word = "Range" if f.spread == "R" else "Standard deviation"
    mean = _Chart(f"Means of groups (X-bar){of}", f"Mean{unit}", f.means, f.mean_low, f.mean_high, f.mean_out)
    spread = _Chart(f"{word}s of groups ({f.spread}){of}", f"{word}{unit}", *_columns(c)[3:], f.spread_out)
    body = [(str(i + 1), name, *(numbers.number(float(v[i])) for v in _columns(c))) for i, name in enumerate(c.names)]
    head = ("no.", f"{c.by} (units)", "mean", "lower", "upper", "range" if f.spread == "R" else "sd", "lower", "upper")
    return [
        PageFigure(
            f"{kind}-{number}",
            one.title,
            f"{len(x)} groups with their limits; {int(one.out.sum())} beyond.",
            {
                "data": [
                    _steps("limit", x, one.high),
                    _steps("", x, one.low) | {"showlegend": False},
                    markers("within", x, one.values.tolist(), "@line1", size=6),
                    markers(
                        "beyond",
                        [x[i] for i in np.flatnonzero(one.out)],
                        one.values[one.out].tolist(),
                        "@stop",
                        "diamond",
                    ),
                ],
                "layout": layout(
                    HEIGHT,
                    shapes=[shade],
                    xaxis=axis("Number in order of time; shaded: the baseline"),
                    yaxis=axis(one.up),
                ),
            },
            head=head if kind == "mean" else (),
            body=body if kind == "mean" else (),
            height=HEIGHT,
        )
        for kind, one in (("mean", mean), ("spread", spread))
    ]


def _steps(name: str, x: list[float], y: Floats) -> Spec:
    line = {"color": "@stop", "width": 1.0, "dash": "dash", "shape": "hvh"}
    return {"type": "scatter", "mode": "lines", "name": label(name), "x": x, "y": y.tolist(), "line": line}
