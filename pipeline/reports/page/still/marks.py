"""Traces of a specification as SVG: lines in a stretched frame, so that they fit any width; marks keep their shape."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Bools, Indices
from herdbook.pipeline.reports.page.figure import Spec
from herdbook.pipeline.reports.page.still.scale import Scale, Values

ACROSS = 1600  # steps of a line's frame across; about two a pixel of a wide screen
FINE = 4  # steps a pixel up and down
POINTS, FAINT_POINTS = 560, 140  # a line: two for each 3 pixels of a wide picture; thin ones beside it
FAINT = "@faint"
DASH = {"dash": "6 3", "dot": "2 3", "dashdot": "6 3 2 3", "longdash": "10 4", "longdashdot": "10 4 2 4"}
SHAPES = {
    "diamond": "M0-5L5 0 0 5-5 0z",
    "square": "M-4-4H4V4H-4z",
    "x": "M-4-4L4 4M-4 4L4-4",
    "cross": "M-5 0H5M0-5V5",
    "triangle-up": "M0-5L5 4H-5z",
    "triangle-down": "M0 5L5-4H-5z",
    "star": "M0-6L1.6-2 6-2 2.4.8 3.8 5 0 2.4-3.8 5-2.4.8-6-2-1.6-2z",
}
LINED = ("x", "cross")


@dataclass(frozen=True, slots=True)
class Frame:
    """Where a trace is drawn. top, height: pixels of its panel; x, y: its scales."""

    x: Scale
    y: Scale
    top: float
    height: float

    def across(self, values: Values) -> Values:
        """Percent of the picture's width."""
        return 100 * (self.x.start + (self.x.end - self.x.start) * self.x.place(values))

    def down(self, values: Values) -> Values:
        """Pixels from the top of the picture."""
        return self.top + self.height * (1 - self.y.place(values))


def paint(color: object) -> str:
    """A colour of the specification for an attribute; "@name" is the style sheet's."""
    text = str(color)
    return f"var(--{text[1:]})" if text.startswith("@") else text


def trace(spec: Spec, frame: Frame) -> str:
    if spec["type"] == "bar":
        return "".join(_bars(spec, frame))
    if spec["type"] == "heatmap":
        return "".join(_map(spec, frame))
    x, y = frame.x.read(spec["x"]), frame.y.read(spec["y"])
    mode = spec.get("mode", "lines")
    out = []
    if "lines" in mode:
        out.append(_line(spec, frame, x, y))
    if "error_y" in spec or "error_x" in spec:
        out.append(_errors(spec, frame, x, y))
    if "markers" in mode:
        out.append(_marks(spec, frame, x, y))
    return "".join(out)


def _line(spec: Spec, frame: Frame, x: Values, y: Values) -> str:
    line = spec.get("line", {})
    faint = line.get("color") == FAINT
    shape = line.get("shape") == "hv"
    px = np.round(ACROSS * frame.x.place(x))
    py = np.round(FINE * frame.height * (1 - frame.y.place(y)))
    path = _path(*_thinned(px, py, FAINT_POINTS if faint else POINTS), stepped=shape)
    dash = DASH.get(line.get("dash", "solid"), "none")
    begin, width = 100 * frame.x.start, 100 * (frame.x.end - frame.x.start)
    area = f'<path d="{path}z" fill="{paint(spec["fillcolor"])}"/>' if spec.get("fill") == "toself" else ""
    return (
        f'<svg x="{begin:g}%" y="{frame.top:.1f}" width="{width:g}%" height="{frame.height:.1f}" '
        f'viewBox="0 0 {ACROSS} {FINE * frame.height:.0f}" preserveAspectRatio="none">{area}'
        f'<path class="ln" d="{path}" stroke="{paint(line.get("color", "@line1"))}" '
        f'stroke-width="{1.0 if faint else line.get("width", 1.4):g}" '
        f'stroke-dasharray="{dash}"/></svg>'
    )


def _thinned(x: Values, y: Values, points: int) -> tuple[Values, Values]:
    """Of each slice the lowest and the highest are kept, in their order, and every hole."""
    n = x.shape[0]
    if n <= points:
        return x, y
    which = np.minimum(np.arange(n) * (points // 2) // n, points // 2 - 1)
    ok = np.isfinite(y)
    holes = np.flatnonzero(~ok & np.concatenate(([True], ok[:-1])))
    begins = np.flatnonzero(np.diff(which, prepend=-1))
    some = np.logical_or.reduceat(ok, begins)[which]  # of a slice without a value nothing is kept
    ends = [_first_at(np.where(np.isnan(y), worst, y), which, begins, some, best) for worst, best in EXTREMES]
    order = np.unique(np.concatenate([[0, n - 1], holes, *ends]))
    return x[order], y[order]


EXTREMES = ((math.inf, np.minimum), (-math.inf, np.maximum))  # what stands for a hole, and what is looked for


def _first_at(y: Values, which: Indices, begins: Indices, some: Bools, best: np.ufunc) -> Indices:
    """In each slice the first place of its lowest or highest value. which: slice of each place, in their order."""
    at = np.flatnonzero((y == best.reduceat(y, begins)[which]) & some)
    first: Indices = at[np.unique(which[at], return_index=True)[1]]
    return first


def _path(x: Values, y: Values, *, stepped: bool) -> str:
    """A path by relative steps; what lies level is drawn once; a hole lifts the pen."""
    out: list[str] = []
    at: tuple[int, int] | None = None
    level = 0  # steps to the right that are not written yet

    def flush() -> None:
        nonlocal level
        if level:
            out.append(f"h{level}")
            level = 0

    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if not (math.isfinite(a) and math.isfinite(b)):
            flush()
            at = None
            continue
        here = int(a), int(b)
        if at is None:
            out.append(f"M{here[0]} {here[1]}h0")
        else:
            dx, dy = here[0] - at[0], here[1] - at[1]
            if dy == 0:
                level += dx
            elif stepped:
                level += dx
                flush()
                out.append(f"v{dy}")
            else:
                flush()
                out.append(f"l{dx} {dy}")
        at = here
    flush()
    return "".join(out)


def _marks(spec: Spec, frame: Frame, x: Values, y: Values) -> str:
    mark = spec.get("marker", {})
    symbol = str(mark.get("symbol", "circle"))
    color, size = paint(mark.get("color", "@line1")), float(mark.get("size", 6))
    px, py = frame.across(x), frame.down(y)
    ok = np.isfinite(px) & np.isfinite(py) & (px > -1) & (px < 101)
    hollow = symbol.endswith("-open")
    drawn = symbol.removesuffix("-open")
    fill = "none" if hollow or drawn in LINED else color
    edge = f' stroke="{color}" stroke-width="1.6"' if fill == "none" else ' stroke="none"'
    out = [f'<g class="marks" fill="{fill}"{edge} opacity="{mark.get("opacity", 1)}">']
    for a, b in zip(px[ok].tolist(), py[ok].tolist(), strict=True):
        if drawn in SHAPES:
            big = f' transform="scale({size / 8:g})"' if size != 8 else ""
            out.append(f'<svg x="{a:.2f}%" y="{b:.1f}" overflow="visible"><path{big} d="{SHAPES[drawn]}"/></svg>')
        else:
            out.append(f'<circle cx="{a:.2f}%" cy="{b:.1f}" r="{size / 2:g}"/>')
    return "".join(out) + "</g>"


def _errors(spec: Spec, frame: Frame, x: Values, y: Values) -> str:
    out = []
    for key in ("error_x", "error_y"):
        if key not in spec:
            continue
        reach = frame.x.read(spec[key]["array"]) if key == "error_x" else frame.y.read(spec[key]["array"])
        color = paint(spec[key].get("color", "@line1"))
        along, beside = (x, y) if key == "error_x" else (y, x)
        for a, r, b in zip(along.tolist(), reach.tolist(), beside.tolist(), strict=True):
            if r > 0 and math.isfinite(a) and math.isfinite(b):
                ends, at = np.array([a - r, a + r]), np.array([b, b])
                px, py = (
                    (frame.across(ends), frame.down(at)) if key == "error_x" else (frame.across(at), frame.down(ends))
                )
                out.append(
                    f'<line x1="{px[0]:.2f}%" x2="{px[1]:.2f}%" y1="{py[0]:.1f}" y2="{py[1]:.1f}" stroke="{color}"/>'
                )
    return "".join(out)


def _bars(spec: Spec, frame: Frame) -> Iterator[str]:
    yield f'<g fill="{paint(spec["marker"]["color"])}" stroke="{paint(spec["marker"]["color"])}" stroke-width=".6">'
    if spec.get("orientation") == "h":
        base, long = frame.x.read(spec["base"]), frame.x.read(spec["x"])
        left, right = frame.across(base), frame.across(base + long)
        lane = frame.y.read(spec["y"])
        half = float(spec.get("width", 0.64)) / 2
        top, foot = frame.down(lane + half), frame.down(lane - half)
        for a, b, c, d in zip(left, right, np.minimum(top, foot), np.abs(foot - top), strict=True):
            yield f'<rect x="{a:.3f}%" width="{max(b - a, 0.05):.3f}%" y="{c:.1f}" height="{d:.1f}"/>'
    else:
        lane, value = frame.x.read(spec["x"]), frame.y.read(spec["y"])
        left, right = frame.across(lane - 0.33), frame.across(lane + 0.33)
        ends, zero = frame.down(value), float(frame.down(np.array([0.0]))[0])
        for a, b, c in zip(left, right, ends, strict=True):
            if math.isfinite(c):
                yield f'<rect x="{a:.2f}%" width="{b - a:.2f}%" y="{min(c, zero):.1f}" height="{abs(zero - c):.1f}"/>'
    yield "</g>"


LEVELS = 20  # shades to either side of the neutral one


def _map(spec: Spec, frame: Frame) -> Iterator[str]:
    """Cells of one shade are one path in a stretched frame."""
    z: NDArray[np.float64] = np.array([[math.nan if v is None else v for v in row] for row in spec["z"]], float)
    share = np.clip((z - spec["zmin"]) / (spec["zmax"] - spec["zmin"]), 0, 1)
    shade = np.where(np.isnan(share), -1, np.round(share * 2 * LEVELS)).astype(int)
    rows, columns = z.shape
    yield (
        f'<svg x="{100 * frame.x.start:g}%" y="{frame.top:.1f}" width="{100 * (frame.x.end - frame.x.start):g}%" '
        f'height="{frame.height:.1f}" viewBox="0 0 {columns * 10} {rows * 10}" preserveAspectRatio="none">'
    )
    for level in sorted(set(shade.ravel().tolist()) - {-1}):
        cells = "".join(f"M{10 * c} {10 * r}h9v9h-9z" for r, c in np.argwhere(shade == level).tolist())
        yield f'<path d="{cells}" fill="{shade_of(spec["colorscale"], level / (2 * LEVELS))}"/>'
    yield "</svg>"


def shade_of(scale: list[list[object]], share: float) -> str:
    """The colour at a share of a colour scale, mixed between its two neighbours."""
    for (a, low), (b, high) in pairwise(scale):
        if share <= float(str(b)) + 1e-9:
            part = 100 * (share - float(str(a))) / (float(str(b)) - float(str(a)))
            return f"color-mix(in srgb, {paint(high)} {part:.0f}%, {paint(low)})"
    return paint(scale[-1][1])
