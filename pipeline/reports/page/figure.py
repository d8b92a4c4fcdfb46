"""A figure: what the browser draws, what is read aloud instead, and the numbers in a table.

Specifications are plain dicts in the form of plotly.js, of which page/still draws a picture and our own scripts
(assets/figures.js) move it. A text that begins with "@" (as in "@stop") is the name of a colour of the style sheet, so
that one page serves light and dark. Sample arrays travel as base64 of 64-bit floats (dtype, bdata).
"""

from __future__ import annotations

import base64
import gzip
import html
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.reports.words import numbers

Spec = dict[str, Any]
LINES = ("@line1", "@line2", "@line3", "@line4", "@line5", "@line6")
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")


@dataclass(frozen=True, slots=True)
class PageFigure:
    """id: unique on the page, [a-z0-9-]. note: what was left out in drawing. alt: what one sees, in a sentence.
    sync: figures of the same non-empty name share their time range. head, body: the numbers as a table. command:
    writes every sample of what is drawn. zoom: samples left out of spec, drawn when somebody zooms in."""

    id: str
    title: str
    alt: str
    spec: Spec
    note: str = ""
    sync: str = ""
    head: tuple[str, ...] = ()
    body: Sequence[tuple[str, ...]] = ()
    height: int = 320
    command: str = ""
    zoom: str = ""

    def packed(self) -> str:
        """The specification as JSON, gzip in base64: it is read only when the figure is touched."""
        text = json.dumps(self.spec, separators=(",", ":"), allow_nan=False, ensure_ascii=True)
        return base64.b64encode(gzip.compress(text.encode(), 9, mtime=0)).decode()


def script_safe(text: str) -> str:
    """JSON that cannot end the script element it stands in."""
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def packed(values: NDArray[np.float64], dtype: str = "f8") -> dict[str, str]:
    """An array as it travels; a not-a-number draws a hole."""
    return {
        "dtype": dtype,
        "bdata": base64.b64encode(np.ascontiguousarray(values, f"<{dtype}").tobytes()).decode(),
    }


def unpacked(array: dict[str, str]) -> NDArray[np.float64]:
    """The numbers of packed()."""
    return np.frombuffer(base64.b64decode(array["bdata"]), f"<{array['dtype']}").astype(np.float64)


def label(text: object) -> str:
    """A text for a label, in which the form allows a little HTML: made inert. What draws it makes it plain text again
    (still/scale.py, assets/scales.js)."""
    return html.escape(numbers.visible(str(text)), quote=False)


def local_ms(t: NDArray[np.int64], zone: ZoneInfo | None) -> NDArray[np.float64]:
    """Microseconds UTC to milliseconds of the wall clock in the zone, sample by sample (summer time included)."""
    if zone is None or not t.shape[0]:
        return t / 1000.0
    import polars as pl

    wall = pl.Series(t).cast(pl.Datetime("us", "UTC")).dt.convert_time_zone(zone.key).dt.replace_time_zone(None)
    return wall.to_physical().to_numpy() / 1000.0


def axis(title: str, **more: Any) -> Spec:
    """An axis; without a zero line unless asked."""
    return {"title": {"text": label(title)}, **more}


def layout(height: int, **more: Any) -> Spec:
    return {"height": height, "showlegend": True, **more}


def markers(name: str, x: list[Any], y: list[Any], color: str, symbol: str = "circle", **more: Any) -> Spec:
    """A trace of single marks."""
    mark = {"color": color, "symbol": symbol, "size": 8}
    return {"type": "scatter", "mode": "markers", "name": label(name), "x": x, "y": y, "marker": mark} | more


def diagonal(top: float) -> Spec:
    """The dashed line on which both axes agree, from zero to `top`."""
    line = {"color": "@ink", "width": 1, "dash": "dash"}
    return {"type": "line", "x0": 0, "y0": 0, "x1": top, "y1": top, "line": line}


def bar_spec(names: list[str], values: list[float], color: str, height: int, *, x: str, y: str) -> Spec:
    """A bar chart from zero over named classes. x, y: titles of the axes."""
    trace = {"type": "bar", "x": [label(n) for n in names], "y": values, "marker": {"color": color}}
    axes = {"xaxis": axis(x, type="category", nticks=16, automargin=True), "yaxis": axis(y, rangemode="tozero")}
    return {"data": [trace], "layout": layout(height, showlegend=False, bargap=0.35, **axes)}
