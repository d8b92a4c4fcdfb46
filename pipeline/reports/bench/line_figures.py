"""Figures of the line's pages: tests of units by person, control charts, where units lie within their limits."""

from __future__ import annotations

from math import exp, pi, sqrt

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.study.in_control import LineChart
from herdbook.pipeline.bench.study.keeps_limits import LimitStudy
from herdbook.pipeline.bench.study.repeats import RepeatStudy
from herdbook.pipeline.reports.page.figure import LINES, PageFigure, Spec, axis, label, layout, markers
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.science.control_charts import CUSUM_H, SHEWHART_L

SYMBOLS = ("circle", "square", "diamond", "triangle-up", "triangle-down", "cross")
HEIGHT = 260


def _id(text: str) -> str:
    return "".join(c if c.isalnum() and c.isascii() else "-" for c in text.lower()) or "all"


def _unit(text: str) -> str:
    unit = numbers.unit(text)
    return f" [{unit}]" if unit else ""


def _line(name: str, x: list[float], y: Floats, color: str, **more: object) -> Spec:
    line = {"color": color, "width": 1.6} | dict(more)
    return {"type": "scatter", "mode": "lines", "name": label(name), "x": x, "y": y.tolist(), "line": line}


def _level(value: float, color: str = "@ink", dash: str = "dash") -> Spec:
    line = {"color": color, "width": 1, "dash": dash}
    return {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": value, "y1": value, "line": line}


def _upright(value: float) -> Spec:
    line = {"color": "@stop", "width": 1.4, "dash": "dash"}
    return {"type": "line", "yref": "paper", "y0": 0, "y1": 1, "x0": value, "x1": value, "line": line}


def repeat_figure(s: RepeatStudy) -> PageFigure:
    """Every test of every unit, a mark a person."""
    data = []
    for j, person in enumerate(s.persons):
        own = s.of_person == j
        x = (s.of_unit[own] + 1 + 0.16 * (j - (len(s.persons) - 1) / 2)).tolist()
        y = s.values[own].tolist()
        data.append(markers(person or "nobody named", x, y, LINES[j % 6], SYMBOLS[j % 6]))
    by_unit = [s.values[s.of_unit == i] for i in range(len(s.units))]
    body = [
        (str(i + 1), unit, numbers.number(float(v.mean())), numbers.number(float(np.ptp(v))))
        for i, (unit, v) in enumerate(zip(s.units, by_unit, strict=True))
    ]
    of = f" of item {s.item}" if s.item else ""
    axes = {"xaxis": axis("Unit, by its number in the table below"), "yaxis": axis(f"Measured{_unit(s.unit)}")}
    return PageFigure(
        f"repeat-{_id(s.item)}",
        f"Tests{of}, unit by unit",
        f"{s.values.size} marks of {len(s.units)} units by "
        f"{numbers.plural(len(s.persons), 'person or line', 'persons or lines')}: how far marks of one unit lie apart "
        "against how far units do.",
        {"data": data, "layout": layout(HEIGHT, **axes)},
        head=("no.", "unit", "mean", "highest less lowest"),
        body=body,
        height=HEIGHT,
    )


def chart_figures(c: LineChart, number: int) -> list[PageFigure]:
    """Single values, weighted mean and sums of one series below each other. number: for ids."""
    f, about = c.found, c.about
    assert f is not None
    assert about is not None
    x = [float(i) for i in range(1, len(c.values) + 1)]
    of = ", ".join(part for part in (f"item {c.item}" if c.item else "", f"line {c.line}" if c.line else "") if part)
    of = f", {of}" if of else ""
    shade = {"type": "rect", "x0": 0.5, "x1": about.n + 0.5, "fillcolor": "@shade", "yref": "paper", "y0": 0, "y1": 1}
    shade |= {"line": {"width": 0}, "layer": "below"}
    along = axis("Number in order of time; shaded: the baseline")
    body = [
        (
            str(i + 1),
            name,
            numbers.number(float(c.values[i])),
            f"{f.z[i]:+.2f}",
            f"{f.ewma[i]:+.2f}",
            _sums(f.up[i], f.down[i]),
        )
        for i, name in enumerate(c.names)
    ]
    out = np.flatnonzero(f.shewhart_out)
    single = [
        _line("values", x, c.values, "@line1", width=1.0),
        markers("within", x, c.values.tolist(), "@line1", size=5),
        markers("beyond 3 sd", [x[i] for i in out], [float(c.values[i]) for i in out], "@stop", "diamond"),
    ]
    levels = [_level(about.mean, dash="solid")]
    levels += [_level(about.mean + k * SHEWHART_L * about.sd, "@stop") for k in (-1, 1)]
    charts = [
        (
            *("single", "Single values", f"Measured{_unit(c.unit)}", single, levels),
            f"{len(c.values)} values about {numbers.number(about.mean)}, limits 3 sd away; {len(out)} beyond.",
        ),
        (
            *("ewma", "Weighted mean (EWMA)", "sd"),
            [
                _line("weighted mean", x, f.ewma, "@line2"),
                _line("limit", x, f.ewma_limit, "@stop", dash="dash", width=1.0),
                _line("", x, -f.ewma_limit, "@stop", dash="dash", width=1.0) | {"showlegend": False},
            ],
            [_level(0.0, dash="solid")],
            f"The weighted mean in sd with its limit; {int(f.ewma_out.sum())} beyond.",
        ),
        (
            *("cusum", "Sums (CUSUM)", "sd"),
            [_line("above the mean", x, f.up, "@line3"), _line("below the mean", x, -f.down, "@line4")],
            [_level(k * CUSUM_H, "@stop") for k in (-1, 1)],
            f"Sums of what goes beyond half an sd, up and down; {int(f.cusum_out.sum())} beyond the limit of 5.",
        ),
    ]
    return [
        PageFigure(
            f"{kind}-{number}",
            f"{title}{of}",
            alt,
            {"data": data, "layout": layout(HEIGHT, shapes=[shade, *shapes], xaxis=along, yaxis=axis(up))},
            head=("no.", "unit or day", "value", "z", "EWMA", "sums") if kind == "single" else (),
            body=body if kind == "single" else (),
            height=HEIGHT,
        )
        for kind, title, up, data, shapes, alt in charts
    ]


def _sums(up: float, down: float) -> str:
    return f"+{up:.1f} -{down:.1f}"


def limit_figure(s: LimitStudy, low: float | None, high: float | None) -> PageFigure:
    """How many units lie where, the normal curve of their mean and sd, and the limits."""
    f = s.found
    assert f is not None
    count, edges = np.histogram(s.values, bins=max(6, min(30, round(sqrt(len(s.values)) * 1.5))))
    wide = float(edges[1] - edges[0])
    x = np.linspace(min(f.mean - 4 * f.sd, float(edges[0])), max(f.mean + 4 * f.sd, float(edges[-1])), 200)
    curve = np.array([len(s.values) * wide * exp(-0.5 * ((v - f.mean) / f.sd) ** 2) / (f.sd * sqrt(2 * pi)) for v in x])
    steps = np.concatenate(([0], count, [0])).astype(np.float64)
    at = np.concatenate(([edges[0] - 1e-9 * wide], edges)).tolist()
    data = [
        _line("units", at, steps, "@line1", shape="hv", width=1.8),
        _line("normal curve", x.tolist(), curve, "@line2", dash="dash"),
    ]
    limits = [_upright(v) for v in (low, high) if v is not None]
    of = f" of item {s.item}" if s.item else ""
    said = " and ".join(numbers.number(v) for v in (low, high) if v is not None)
    body = [
        (numbers.number(float(a)), numbers.number(float(b)), str(n))
        for a, b, n in zip(edges, edges[1:], count, strict=False)
    ]
    axes = {"xaxis": axis(f"Measured{_unit(s.unit)}"), "yaxis": axis("Units", rangemode="tozero")}
    return PageFigure(
        f"limits-{_id(s.item)}",
        f"{len(s.values)} units{of} and their limits",
        f"Steps from {numbers.number(float(edges[0]))} to {numbers.number(float(edges[-1]))}; limits at {said}; "
        f"{s.outside} units beyond.",
        {"data": data, "layout": layout(HEIGHT, shapes=limits, **axes)},
        head=("from", "to", "units"),
        body=body,
        height=HEIGHT,
    )
