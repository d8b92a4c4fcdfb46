"""The page of two coast-downs side by side: forces, and their difference with its interval."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.coast_down import CoastChange
from herdbook.pipeline.reports.bench.stand_page import OF_ROAD, Figured, StandPage, write_page, write_tables
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.blocks import Drawn, Leaf
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, layout
from herdbook.pipeline.reports.words import numbers

if TYPE_CHECKING:
    import polars as pl

KMH = 3.6
METHOD = (
    "Both tests are brought to 20 °C and 100 kPa first. The interval of the difference is by Welch and Satterthwaite "
    "on the scatter of the pairs of each. Errors of mass and speed count as if each test had its own scale and sensor; "
    "--same-instruments leaves them out."
)


def figures(found: CoastChange) -> list[Figured]:
    names = (("F0", "N"), ("F1", "N s/m"), ("F2", "N s²/m²"))
    apart = found.load.told_apart
    out = [
        Figured(name, float(found.load.value[k]), float(found.load.half_width[k]), unit, _word(bool(apart[k])))
        for k, (name, unit) in enumerate(names)
        if k != 1 or found.first.with_f1 or found.second.with_f1
    ]
    for share in (0.25, 0.5, 1.0):
        k = round(share * (found.grid_ms.size - 1))
        value, half = float(found.curve.value[k]), float(found.curve.half_width[k])
        remark = _word(bool(found.curve.told_apart[k]))
        out.append(Figured(f"force at {KMH * found.grid_ms[k]:.0f} km/h", value, half, "N", remark))
    return out


def _word(apart: bool) -> str:
    return "differs" if apart else "no difference is shown"


def sentences(found: CoastChange) -> tuple[str, str]:
    k = found.grid_ms.size // 2
    kmh, value, half = KMH * found.grid_ms[k], float(found.curve.value[k]), float(found.curve.half_width[k])
    base = float(found.first.curve_at(found.grid_ms).value[k])
    row = Figured("", value, half, "N").row
    what = "more" if value > 0 else "less"
    if abs(value) <= half:
        first = f"At {kmh:.0f} km/h no difference is shown: {row[1]} ± {row[2]} N."
    else:
        size = f"{row[1].lstrip('-')} ± {row[2]} N ({abs(100 * value / base):.1f} %)"
        first = f"At {kmh:.0f} km/h {found.second.name} needs {size} {what} force."
    return first, f"{found.second.name} less {found.first.name}, at 20 °C and 100 kPa, 95 % intervals."


def tables(found: CoastChange) -> dict[str, pl.DataFrame]:
    import polars as pl

    columns = {
        "speed [km/h]": KMH * found.grid_ms,
        "first [N]": found.first.curve_at(found.grid_ms).value,
        "second [N]": found.second.curve_at(found.grid_ms).value,
        "difference [N]": found.curve.value,
        "half width of 95 % [N]": found.curve.half_width,
    }
    return {"difference": pl.DataFrame(columns)}


def write_coast_change(found: CoastChange, out: Path | str, first: str, second: str) -> list[Path]:
    """Page and tables; the files written, the page first. first, second: names of the sheets. Raises: StoreError."""
    stem = html.file_name(f"{Path(first).stem}-{Path(second).stem}")
    names = f"{found.first.name} and {found.second.name}"
    said = sentences(found)
    page = StandPage(
        kind="two coast-downs compared",
        name=names,
        about=[("First", found.first.name), ("Second", found.second.name)],
        first=said[0],
        second=said[1],
        figures=[f.row for f in figures(found)],
        told=list(dict.fromkeys([*found.first.told, *found.second.told])),
        cautions=OF_ROAD,
        leaves=[Leaf("difference", "Difference", METHOD, [Drawn(_forces(found)), Drawn(_difference(found))])],
        source=f"{first} and {second}",
    )
    return [write_page(page, Path(out) / f"{stem}.html", stem), *write_tables(tables(found), out, stem)]


def _lines(name: str, x: Floats, value: Floats, half: Floats, color: str) -> list[Spec]:
    def one(y: Floats, shown: str, line: Spec) -> Spec:
        base = {"type": "scatter", "mode": "lines", "x": x.tolist(), "y": y.tolist(), "line": {"color": color} | line}
        return base | ({"name": shown} if shown else {"name": "", "showlegend": False})

    dashed = {"dash": "dash", "width": 1.0}
    return [
        one(value, name, {"width": 2.2}),
        one(value + half, f"{name}, 95 % interval", dashed),
        one(value - half, "", dashed),
    ]


def _forces(found: CoastChange) -> PageFigure:
    x = KMH * found.grid_ms
    data = []
    for test, color in ((found.first, "@line1"), (found.second, "@line2")):
        curve = test.curve_at(found.grid_ms)
        data += _lines(test.name, x, curve.value, curve.half_width, color)
    axes = {"xaxis": axis("Speed [km/h]"), "yaxis": axis("Force [N]", rangemode="tozero")}
    alt = f"Force against speed of {found.first.name} and {found.second.name}, each with its interval."
    return PageFigure("forces", "Force at the road", alt, {"data": data, "layout": layout(340, **axes)}, height=340)


def _difference(found: CoastChange) -> PageFigure:
    x = KMH * found.grid_ms
    data = _lines("second less first", x, found.curve.value, found.curve.half_width, "@line3")
    zero = {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": 0, "y1": 0, "line": {"color": "@ink", "width": 1}}
    axes = {"xaxis": axis("Speed [km/h]"), "yaxis": axis("Difference [N]")}
    rows = zip(x[::5], found.curve.value[::5], found.curve.half_width[::5], strict=True)
    return PageFigure(
        "change",
        "Difference in force",
        "Difference against speed with its interval; where the interval leaves out zero, the two differ.",
        {"data": data, "layout": layout(300, shapes=[zero], **axes)},
        head=("km/h", "N", "± N"),
        body=[(f"{a:.1f}", numbers.number(b), numbers.number(c)) for a, b, c in rows],
        height=300,
    )
