"""The still picture of a figure: marks where the numbers say, holes left open, spikes kept, and no text that runs."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from herdbook.pipeline.reports.page.blocks import Drawn, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, bar_spec, label, layout, markers, packed
from herdbook.pipeline.reports.page.still.marks import ACROSS, FINE
from herdbook.pipeline.reports.page.still.picture import FOOT, TOP, still
from herdbook.pipeline.reports.page.still.scale import Scale, nice_step, ticks
from herdbook.pipeline.reports.page.worth import worth_drawing

HEIGHT = 300
TALL = HEIGHT - TOP - FOOT


def line(x: list[float], y: list[float], **more: Any) -> Spec:
    trace = {"type": "scatter", "mode": "lines", "name": "a", "x": packed(np.array(x)), "y": packed(np.array(y))} | more
    axes = {"xaxis": axis("x", range=[0, 100]), "yaxis": axis("y", range=[0, 10])}
    return {"data": [trace], "layout": layout(HEIGHT, **axes)}


def points_of(svg: str) -> list[list[tuple[float, float]]]:
    """Strokes of the one line in data units, walked from its relative steps."""
    [path] = re.findall(r'class="ln" d="([^"]*)"', svg)
    strokes: list[list[tuple[float, float]]] = []
    x = y = 0.0
    for kind, numbers in re.findall(r"([Mhlv])([-\d ]*)", path):
        n = [float(k) for k in re.findall(r"-?\d+", numbers)]
        if kind == "M":
            x, y = n
            strokes.append([])
        elif kind == "h":
            x += n[0]
        elif kind == "v":
            y += n[0]
        else:
            x, y = x + n[0], y + n[1]
        strokes[-1].append((100 * x / ACROSS, 10 * (1 - y / (FINE * TALL))))
    return strokes


def test_a_line_goes_through_its_samples() -> None:
    [stroke] = points_of(still(line([0, 50, 100], [0, 10, 5]), HEIGHT))
    assert stroke[0] == pytest.approx((0, 0), abs=0.1)
    assert (50, 10) in [pytest.approx(p, abs=0.1) for p in stroke]
    assert stroke[-1] == pytest.approx((100, 5), abs=0.1)


def test_a_state_keeps_its_value_until_the_next_sample() -> None:
    [stroke] = points_of(still(line([0, 50, 100], [0, 10, 10], line={"shape": "hv", "color": "@line1"}), HEIGHT))
    assert any(p == pytest.approx((50, 0), abs=0.1) for p in stroke)


def test_a_hole_lifts_the_pen() -> None:
    strokes = points_of(still(line([0, 20, 40, 60, 80], [1, 1, np.nan, 2, 2]), HEIGHT))
    assert len(strokes) == 2
    assert strokes[0][-1][0] == pytest.approx(20, abs=0.1)
    assert strokes[1][0][0] == pytest.approx(60, abs=0.1)


def test_a_spike_of_one_sample_survives_thinning() -> None:
    y = np.zeros(20_000)
    y[7_777] = 9.0
    svg = still(line(list(np.linspace(0, 100, y.size)), list(y)), HEIGHT)
    [stroke] = points_of(svg)
    assert max(v for _, v in stroke) == pytest.approx(9.0, abs=0.05)
    assert len(svg) < 4_000  # what lies level is written once


def test_texts_from_outside_stay_texts() -> None:
    """Names come escaped in the specification; the picture may neither run them nor show the escapes."""
    bad = '<img src=x onerror=alert(1)>"&'
    spec = {
        "data": [markers(bad, [1.0, 2.0], [label(bad), "b"], "@line1")],
        "layout": layout(HEIGHT, xaxis=axis(bad), yaxis=axis(bad, type="category")),
    }
    svg = still(spec, HEIGHT)
    assert "<img" not in svg
    assert "&amp;lt;" not in svg
    assert "&lt;img" in svg


def test_marks_lie_where_their_numbers_say() -> None:
    axes = {"xaxis": axis("x", range=[0, 100]), "yaxis": axis("y", range=[0, 10])}
    spec: Spec = {"data": [markers("a", [25.0], [5.0], "@stop", "circle")], "layout": layout(HEIGHT, **axes)}
    assert f'cx="25.00%" cy="{TOP + TALL / 2:.1f}"' in still(spec, HEIGHT)


def test_bars_stand_on_zero() -> None:
    svg = still(bar_spec(["a", "b"], [4.0, 2.0], "@line1", HEIGHT, x="", y="n"), HEIGHT)
    found = re.findall(r'<rect x="[\d.]+%" width="[\d.]+%" y="([\d.]+)" height="([\d.]+)"/>', svg)
    feet = [float(y) + float(h) for y, h in found]
    assert feet == [pytest.approx(TOP + TALL)] * 2
    assert float(found[0][1]) == pytest.approx(2 * float(found[1][1]), rel=0.01)


@pytest.mark.parametrize(("least", "step"), [(0.03, 0.05), (1.0, 1.0), (1.1, 2.0), (6.0, 10.0), (2e-7, 2e-7)])
def test_steps_are_one_two_or_five(least: float, step: float) -> None:
    assert nice_step(least) == pytest.approx(step)


@pytest.mark.parametrize(
    ("span_ms", "first"),
    [(900.0, "00:00:00"), (15e3, "00:00:00"), (3.6e6, "00:00"), (8.64e7 * 60, "1970-01-01"), (8.64e7 * 900, "1970-01")],
)
def test_a_time_axis_speaks_in_steps_of_a_clock_or_calendar(span_ms: float, first: str) -> None:
    found = ticks(Scale("date", 0.0, span_ms), {}, 8)
    assert found[0] == (0.0, first)
    assert 3 <= len(found) <= 10


def test_a_figure_of_one_bar_or_one_day_is_told_as_numbers() -> None:
    one = bar_spec(["2026-W10"], [3.0], "@accent", 200, x="Week", y="h")
    figure = PageFigure("a", "Hours", "alt", one, head=("Week", "Hours"), body=[("2026-W10", "3.0")])
    assert [type(b) for b in worth_drawing(Drawn(figure))] == [PageTable]
    dots = {
        "data": [markers("a", [1e12], [3.0], "@line1")],
        "layout": layout(200, xaxis=axis("", type="date"), yaxis=axis("")),
    }
    assert [type(b) for b in worth_drawing(Drawn(PageFigure("b", "Hottest", "alt", dots)))] == [Note]
    two = bar_spec(["a", "b"], [3.0, 1.0], "@accent", 200, x="Week", y="h")
    drawn = Drawn(PageFigure("c", "Hours", "alt", two))
    assert worth_drawing(drawn) == [drawn]


def test_long_words_beside_an_axis_stand_in_two_lines_where_there_is_room() -> None:
    names = ["A loose measuring wire between two groups", "short"]
    beside = axis("", range=[-0.5, 1.5], tickvals=[0, 1], ticktext=names)
    dots = markers("a", [1.0, 2.0], [0.0, 1.0], "@line1")
    svg = still({"data": [dots], "layout": layout(HEIGHT, xaxis=axis("x", range=[0, 3]), yaxis=beside)}, HEIGHT)
    assert re.search(r">A loose measuring<tspan [^>]*>wire between two gro…</tspan>", svg)
    assert re.search(r'class="yt"[^>]*>short</text>', svg)


def test_words_under_the_right_end_lean_inwards() -> None:
    svg = still(line([0, 100], [0, 10]), HEIGHT)
    leaning = re.findall(r'class="xt[^>]*x="([\d.]+)%"[^>]*style="text-anchor:end"', svg)
    assert leaning
    assert min(float(x) for x in leaning) > 95
