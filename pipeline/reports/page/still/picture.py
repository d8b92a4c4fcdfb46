"""The whole picture: panels with their axes, grid, limits and shaded windows, traces, and the legend above."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
from markupsafe import Markup, escape

from herdbook.pipeline.reports.page.figure import Spec
from herdbook.pipeline.reports.page.still.marks import DASH, LINED, SHAPES, Frame, paint, trace
from herdbook.pipeline.reports.page.still.scale import Scale, days_of, plain, scale, ticks

TOP, FOOT, RIGHT, BAR, INTO = 24, 44, 14, 66, 10  # pixels: room for titles, time, a colour bar
LETTER = 6.3  # pixels of a usual letter in an 11 pixel type
FAR_RIGHT = 95.0  # percent of a picture's width
LINE = 11  # pixels from line to line of words in two lines
WIDEST = 150  # of the words beside an axis; longer ones go into a second line or are cut
MOST_LETTERS = int((WIDEST - 14) / LETTER)  # of these words; 14: their distance from axis and edge
ACROSS = 9  # ticks on a time axis of a wide screen; on a phone every other one has words
APART = 24.0  # pixels between ticks up an axis, at least


def still(spec: Spec, height: int) -> Markup:
    """The figure as a legend and one SVG, both of the page's own colours. height: pixels, whatever the width."""
    layout, data = spec["layout"], spec["data"]
    xs, ys = _scales("x", layout, data), _scales("y", layout, data)
    tall = height - TOP - FOOT
    left = _left(layout, ys, tall)
    right = RIGHT + (BAR if any(t["type"] == "heatmap" for t in data) else 0)
    panels = {name: _panel(of, tall) for name, of in ys.items()}
    body = [_below(layout, xs, ys, panels)]
    body += [_grid_y(layout[_key("y", name)], of, *panels[name]) for name, of in ys.items()]
    for name, of in xs.items():
        body.append(_grid_x(layout[_key("x", name)], of, tall, wide=(of.end - of.start) * ACROSS))
    for order, t in enumerate(data):
        x, y = t.get("xaxis", "x"), t.get("yaxis", "y")
        body.append(f'<g data-i="{order}">{trace(t, Frame(xs[x], ys[y], *panels[y]))}</g>')
    body.append(_above(layout, xs, ys, panels, tall))
    bar = "".join(_colour_bar(t, tall) for t in data if t["type"] == "heatmap")
    return Markup(
        f'<div class="still">{_legend(spec)}<div style="padding:0 {right}px 0 {left}px">'
        f'<svg class="board" width="100%" height="{height}" aria-hidden="true" data-live="{_live(xs, ys, panels)}">'
        f"{''.join(body)}{bar}</svg></div></div>"
    )


def _live(xs: dict[str, Scale], ys: dict[str, Scale], panels: dict[str, tuple[float, float]]) -> Markup:
    """The axes in numbers, from which assets/figures.js moves the picture."""
    made: dict[str, dict[str, Spec]] = {"x": {}, "y": {}}
    for letter, scales in (("x", xs), ("y", ys)):
        for name, of in scales.items():
            told: Spec = {"kind": of.kind, "low": of.low, "high": of.high}
            if of.backwards:
                told["backwards"] = True
            if of.kind == "category":
                told["names"] = [plain(name) for name in of.names]
            if letter == "x":
                told |= {"start": of.start, "end": of.end}
            else:
                told["top"], told["height"] = panels[name]
            made[letter][name] = told
    return escape(json.dumps(made, separators=(",", ":")))


def _key(letter: str, name: str) -> str:
    return f"{letter}axis{name[1:]}"


def _panel(of: Scale, tall: float) -> tuple[float, float]:
    """Top and height of a panel [px]."""
    return TOP + (1 - of.end) * tall, (of.end - of.start) * tall


def _scales(letter: str, layout: Spec, data: Sequence[Spec]) -> dict[str, Scale]:
    names = [k.replace("axis", "") for k in layout if k.startswith(f"{letter}axis")]
    out = {}
    for name in names:
        mine = [t for t in data if t.get(f"{letter}axis", letter) == name]
        raws = [t[letter] for t in mine if not _is_base(t, letter)]
        more = [v for t in mine for v in _ends(t, letter)]
        more += [v for s in layout.get("shapes", ()) for v in _shape_ends(s, letter, name)]
        snug = letter == "x" and all("markers" not in t.get("mode", "lines") for t in mine)
        out[name] = scale(layout[_key(letter, name)], raws, more, snug=snug)
        if mine and mine[0]["type"] == "heatmap" and letter == "x":
            out[name] = Scale("number", -0.5, len(mine[0]["x"]) - 0.5)
    return out


def _is_base(t: Spec, letter: str) -> bool:
    """The length of a lying bar is no place on its axis."""
    return letter == "x" and t["type"] == "bar" and t.get("orientation") == "h"


def _ends(t: Spec, letter: str) -> list[float]:
    from herdbook.pipeline.reports.page.still.scale import as_numbers

    if _is_base(t, letter):
        base = as_numbers(t["base"])
        return [*base.tolist(), *(base + as_numbers(t["x"])).tolist()]
    if letter == "y" and t["type"] == "bar":
        return [0.0] if t.get("orientation") != "h" else []
    error = t.get(f"error_{letter}")
    if error is None:
        return []
    at, reach = as_numbers(t[letter]), np.nan_to_num(as_numbers(error["array"]))
    return [*(at - reach).tolist(), *(at + reach).tolist()]


def _shape_ends(shape: Spec, letter: str, name: str) -> list[float]:
    if shape.get(f"{letter}ref", letter) != name or shape.get("fillcolor"):
        return []
    return [float(shape[f"{letter}{end}"]) for end in (0, 1)]


def _left(layout: Spec, ys: dict[str, Scale], tall: float) -> int:
    longest = max(
        (len(words) for name, of in ys.items() for _, words in _y_ticks(layout[_key("y", name)], of, tall)), default=0
    )
    return int(min(WIDEST, 14 + LETTER * longest))


def _y_ticks(given: Spec, of: Scale, tall: float) -> list[tuple[float, str]]:
    room = (of.end - of.start) * tall / (14.0 if of.kind == "category" else APART)
    return ticks(of, given, max(2.0, room))


def _cut(words: str) -> str:
    return words if len(words) <= MOST_LETTERS else words[: MOST_LETTERS - 1] + "…"


def _beside(words: str, y: float, roomy: bool) -> str:
    """A tick's words beside its axis, in two lines where they are long and there is room."""
    first, second = _folded(words) if roomy else (_cut(words), "")
    if not second:
        return f'<text class="yt" x="-7" y="{y + 4:.1f}">{escape(first)}</text>'
    lines = f'{escape(first)}<tspan x="-7" dy="{LINE}">{escape(second)}</tspan>'
    return f'<text class="yt" x="-7" y="{y + 4 - LINE / 2:.1f}">{lines}</text>'


def _folded(words: str) -> tuple[str, str]:
    at = words.rfind(" ", 0, MOST_LETTERS + 1) if len(words) > MOST_LETTERS else -1
    return (words[:at], _cut(words[at + 1 :])) if at > 0 else (_cut(words), "")


def _title(given: Spec) -> str:
    return plain(str(given.get("title", {}).get("text", "")))


def _grid_y(given: Spec, of: Scale, top: float, tall: float) -> str:
    frame = Frame(Scale("number", 0, 1), of, top, tall)
    out = []
    chosen = _y_ticks(given, of, tall / max(of.end - of.start, 1e-9))
    roomy = tall >= 2 * LINE * len(chosen)
    for value, words in chosen:
        y = float(frame.down(np.array([value]))[0])
        if of.kind != "category":
            out.append(f'<line class="gr" x2="100%" y1="{y:.1f}" y2="{y:.1f}"/>')
        out.append(_beside(words, y, roomy))
    title = _title(given)
    if title:
        out.append(f'<text class="ti" x="0" y="{top - 8:.1f}">{escape(title)}</text>')
    out.append(f'<line class="ax" y1="{top:.1f}" y2="{top + tall:.1f}"/>')
    return "".join(out)


def leaning(x: float) -> str:
    """Words under the right end of a picture end there, so that nothing of them is cut. x: percent."""
    return ' style="text-anchor:end"' if x > FAR_RIGHT else ""


def _grid_x(given: Spec, of: Scale, tall: float, *, wide: float) -> str:
    frame = Frame(of, Scale("number", 0, 1), TOP, tall)
    foot, out = TOP + tall, []
    chosen = ticks(of, given, max(3.0, 16 if of.kind == "category" else wide))
    for order, (value, words) in enumerate(chosen):
        x = float(frame.across(np.array([value]))[0])
        every = "" if order % 2 == 0 else " odd"
        if of.kind != "category":
            out.append(f'<line class="gr" x1="{x:.2f}%" x2="{x:.2f}%" y1="{TOP}" y2="{foot:.1f}"/>')
        at = f'x="{x:.2f}%" y="{foot + 16:.1f}"{leaning(x)}'
        out.append(f'<text class="xt{every}" {at}>{escape(_cut(words))}</text>')
    if given.get("zeroline") and of.low < 0 < of.high:
        x = float(frame.across(np.array([0.0]))[0])
        out.append(f'<line class="ax" x1="{x:.2f}%" x2="{x:.2f}%" y1="{TOP}" y2="{foot:.1f}"/>')
    title, days = _title(given), days_of(of)
    middle = 50 * (of.start + of.end)
    said = f"{title}, {days}" if title and days else title or days
    out.append(f'<text class="xt ti" x="{middle:g}%" y="{foot + 36:.1f}">{escape(said)}</text>')
    out.append(f'<line class="ax" x1="{100 * of.start:g}%" x2="{100 * of.end:g}%" y1="{foot:.1f}" y2="{foot:.1f}"/>')
    return f'<g class="gx" data-top="{TOP}" data-foot="{foot:.1f}">{"".join(out)}</g>'


Panels = dict[str, tuple[float, float]]


def _below(layout: Spec, xs: dict[str, Scale], ys: dict[str, Scale], panels: Panels) -> str:
    """Shaded windows, under everything."""
    out = []
    for shape in layout.get("shapes", ()):
        if shape["type"] == "rect":
            of = xs[shape.get("xref", "x")]
            frame = Frame(of, Scale("number", 0, 1), 0, 1)
            a, b = np.clip(frame.across(np.array([shape["x0"], shape["x1"]], float)), 0, 100)
            for top, tall in panels.values():
                out.append(
                    f'<rect x="{a:.2f}%" width="{max(b - a, 0.2):.2f}%" y="{top:.1f}" height="{tall:.1f}" '
                    f'fill="{paint(shape["fillcolor"])}"/>'
                )
    return f'<g class="win">{"".join(out)}</g>' if out else ""


def _above(layout: Spec, xs: dict[str, Scale], ys: dict[str, Scale], panels: Panels, tall: float) -> str:
    """Limit lines and diagonals with their words, over everything."""
    out = []
    for shape in layout.get("shapes", ()):
        if shape["type"] != "line":
            continue
        y, share = shape.get("yref", "y"), Scale("number", 0, 1)
        across = share if shape.get("xref") == "paper" else xs[shape.get("xref", "x")]
        frame = Frame(across, share, TOP, tall) if y == "paper" else Frame(across, ys[y], *panels[y])
        px = frame.across(np.array([shape["x0"], shape["x1"]], float))
        py = frame.down(np.array([shape["y0"], shape["y1"]], float))
        line = shape["line"]
        look = f'stroke="{paint(line["color"])}" stroke-width="{line["width"]:g}"'
        dash = DASH.get(line.get("dash", ""), "none")
        ends = f'x1="{px[0]:.2f}%" x2="{px[1]:.2f}%" y1="{py[0]:.1f}" y2="{py[1]:.1f}"'
        out.append(f'<line class="sh" {ends} {look} stroke-dasharray="{dash}"/>')
    for note in layout.get("annotations", ()):
        y = note.get("yref", "y")
        frame = Frame(Scale("number", 0, 1), ys[y], *panels[y])
        at = float(frame.down(np.array([note["y"]], float))[0])
        color = paint(note.get("font", {}).get("color", "@ink"))
        out.append(f'<text class="no" x="100%" y="{at - 4:.1f}" fill="{color}">{escape(plain(note["text"]))}</text>')
    return "".join(out)


def _colour_bar(t: Spec, tall: float) -> str:
    from herdbook.pipeline.reports.page.still.marks import shade_of

    steps, high = 12, min(tall, 180.0)
    out = [f'<svg class="tint" x="100%" y="{TOP}" overflow="visible"><text class="ti" x="{INTO}" y="-8">']
    out.append(f"{escape(plain(t['colorbar']['title']['text']))}</text>")
    for k in range(steps):
        color = shade_of(t["colorscale"], 1 - (k + 0.5) / steps)
        at = f'x="{INTO}" y="{k * high / steps:.1f}" width="12" height="{high / steps + 0.5:.1f}"'
        out.append(f'<rect {at} fill="{color}"/>')
    for share in (0.0, 0.5, 1.0):
        value = t["zmax"] - share * (t["zmax"] - t["zmin"])
        out.append(f'<text x="{INTO + 17}" y="{share * high + 4:.1f}">{value:.3g}</text>')
    return "".join(out) + "</svg>"


def _legend(spec: Spec) -> str:
    shown = [t for t in spec["data"] if t.get("showlegend", True) and t["type"] != "heatmap" and "name" in t]
    if not spec["layout"].get("showlegend", True) or not shown:
        return ""
    items = "".join(f"<li>{_sample(t)}{escape(plain(str(t['name'])))}</li>" for t in shown)
    return f'<ul class="keys">{items}</ul>'


def _sample(t: dict[str, Any]) -> str:
    """A line's or mark's own look, small."""
    out = '<svg width="26" height="12" aria-hidden="true">'
    if t["type"] == "bar":
        return f'{out}<rect y="1" width="22" height="10" fill="{paint(t["marker"]["color"])}"/></svg>'
    mode = t.get("mode", "lines")
    if "lines" in mode:
        line = t.get("line", {})
        dash = DASH.get(line.get("dash", "solid"), "none")
        out += (
            f'<line x2="24" y1="6" y2="6" stroke="{paint(line.get("color", "@line1"))}" '
            f'stroke-width="{line.get("width", 1.4):g}" stroke-dasharray="{dash}"/>'
        )
    if "markers" in mode:
        mark = t.get("marker", {})
        symbol, color = str(mark.get("symbol", "circle")), paint(mark.get("color", "@line1"))
        drawn = symbol.removesuffix("-open")
        hollow = symbol != drawn or drawn in LINED
        look = f'fill="none" stroke="{color}" stroke-width="1.6"' if hollow else f'fill="{color}"'
        path = SHAPES.get(drawn, "M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0z")
        out += f'<path transform="translate(12 6)" d="{path}" {look}/>'
    return out + "</svg>"
