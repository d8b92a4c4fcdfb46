"""The page of a coast-down: force against speed with what was read off the coasts, residuals, and the coasts."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.coast_down import CoastDown
from herdbook.pipeline.reports.bench.stand_page import OF_ROAD, Figured, StandPage, write_page, write_tables
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.blocks import Drawn, Leaf, PageTable
from herdbook.pipeline.reports.page.figure import DASHES, LINES, PageFigure, Spec, axis, layout, markers
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.science.coast_down import AIR_AT_REFERENCE, at_reference, force_at

if TYPE_CHECKING:
    import polars as pl

SYMBOLS = ("circle", "square", "diamond", "triangle-up", "triangle-down", "cross")
KMH = 3.6


def figures(found: CoastDown) -> list[Figured]:
    """The figures of the result, at 20 degC and 100 kPa."""
    load, half = found.load.value, found.load.half_width
    rolling, area = found.rolling, found.drag_area_m2
    out = [Figured("F0", float(load[0]), float(half[0]), "N", "does not depend on speed")]
    if found.with_f1:
        out.append(Figured("F1", float(load[1]), float(half[1]), "N s/m"))
    out.append(Figured("F2", float(load[2]), float(half[2]), "N s²/m²"))
    remark = "F0 over weight; drag of belt, bearings and motors is in it"
    out.append(Figured("rolling resistance", rolling[0], rolling[1], "1", remark))
    out.append(Figured("drag area", area[0], area[1], "m²", f"from F2, with air of {AIR_AT_REFERENCE} kg/m³"))
    for kmh in speeds(found):
        k = int(np.argmin(np.abs(found.grid_ms * KMH - kmh)))
        force, power = float(found.curve.value[k]), float(found.curve.value[k] * found.grid_ms[k])
        remark = f"{numbers.number(power)} W at the road"
        out.append(
            Figured(f"force at {KMH * found.grid_ms[k]:.0f} km/h", force, float(found.curve.half_width[k]), "N", remark)
        )
    return out


def speeds(found: CoastDown) -> Sequence[float]:
    """Round speeds within the range that was measured, km/h."""
    low, high = (KMH * v for v in found.range_ms)
    step = 10.0 if high - low > 25 else 5.0
    return [v for v in np.arange(step, high + 0.5, step) if v >= low - 0.5]


def sentences(found: CoastDown) -> tuple[str, str]:
    low, high = (KMH * v for v in found.range_ms)
    n = numbers.plural(len(found.pairs), "pair")
    wind = max(abs(p.wind_ms) for p in found.pairs)
    slope = float(np.mean([p.slope_n for p in found.pairs])) / (found.conditions.mass_kg * 9.80665)
    f0, f2 = (f for f in figures(found) if f.name in ("F0", "F2"))
    body = ", ".join(
        f"{f.name} = {f.row[1]}" + (f" ± {f.row[2]}" if f.row[2] not in ("", "not known") else "") + f" {f.row[3]}"
        for f in (f0, f2)
    )
    return (
        f"{body}, at 20 °C and 100 kPa, from {n} of coasts.",
        f"Valid from {low:.0f} to {high:.0f} km/h. Taken off: a slope of {100 * slope:+.2f} % and wind of up to "
        f"{wind:.1f} m/s along the road, both from the difference of the two directions.",
    )


def tables(found: CoastDown) -> dict[str, pl.DataFrame]:
    """points: what was read off the coasts; curve: the force at reference with its interval."""
    import polars as pl

    points = [(p.pair, KMH * p.speed_ms, p.there_n, p.back_n, p.mean_n) for p in found.points]
    names = ["pair", "speed [km/h]", "there [N]", "back [N]", "mean [N]"]
    curve = {
        "speed [km/h]": KMH * found.grid_ms,
        "force at 20 degC, 100 kPa [N]": found.curve.value,
        "half width of 95 % [N]": found.curve.half_width,
    }
    return {"points": pl.DataFrame(points, schema=names, orient="row"), "curve": pl.DataFrame(curve).fill_nan(None)}


def write_coast_down(found: CoastDown, out: Path | str, source: str) -> list[Path]:
    """Page and tables into a folder; the files written, the page first. Raises: StoreError."""
    stem = html.file_name(Path(source).stem)
    c = found.conditions
    page = StandPage(
        kind="coast-down",
        name=found.name,
        about=[
            ("Mass", f"{numbers.amount(c.mass_kg, 'kg', c.mass_se_kg)}"),
            ("Turning parts add", numbers.amount(c.turning_kg, "kg", c.turning_se_kg)),
            ("Air", f"{c.air_c:g} °C, {c.pressure_kpa:g} kPa"),
            ("Coasts", numbers.plural(2 * len(found.pairs), "coast")),
        ],
        first=sentences(found)[0],
        second=sentences(found)[1],
        figures=[f.row for f in figures(found)],
        told=found.told,
        cautions=OF_ROAD,
        leaves=[
            Leaf("force", "Force against speed", "", [Drawn(force_figure(found)), Drawn(residual_figure(found))]),
            Leaf("coasts", "The coasts", "", [Drawn(coast_figure(found)), pair_table(found)]),
            Leaf("method", "How it was found", METHOD.format(k0=c.k0_per_k), []),
        ],
        source=source,
    )
    return [write_page(page, Path(out) / f"{stem}.html", stem), *write_tables(tables(found), out, stem)]


METHOD = (
    "Speed over time is fitted by v(0) - (F0 t + F1 int v dt + F2 int v² dt) / M, the two directions of a pair "
    "together, with a slope and a wind that change their sign; speed is never differentiated. The interval is that of "
    "the mean of the pairs (Student's law on their scatter) together with the errors of mass and speed that all pairs "
    "share. Rolling is brought to 20 °C by {k0:g} per kelvin, a figure of car tyres that small wheels may not follow; "
    "air drag to 20 °C and 100 kPa by the density of air. Wind across the road is not taken off."
)


def _line(name: str, x: Floats, y: Floats, color: str, **more: object) -> Spec:
    line = {"color": color, "width": 1.6} | dict(more)
    return {"type": "scatter", "mode": "lines", "name": name, "x": x.tolist(), "y": y.tolist(), "line": line}


def _at_reference(found: CoastDown) -> Floats:
    """Mean force of each point at reference: the day's force times what the fit says the two differ by there."""
    c = found.conditions
    out = []
    for p in found.points:
        fit = found.pairs[p.pair - 1]
        v = np.array([p.speed_ms])
        there = force_at(at_reference(fit.force, c.air_c, c.pressure_kpa, c.k0_per_k), v)
        wind = fit.force[2] * fit.wind_ms**2  # in the mean of both directions
        out.append(float((p.mean_n - wind) * (there / force_at(fit.force, v))[0]))
    return np.array(out)


def force_figure(found: CoastDown) -> PageFigure:
    x = KMH * found.grid_ms
    value, half = found.curve.value, found.curve.half_width
    data = [_line("mean of the pairs", x, value, "@line1", width=2.4)]
    if found.load.dof > 0:
        data.append(_line("95 % interval", x, value + half, "@line1", dash="dash", width=1.1))
        data.append(_line("", x, value - half, "@line1", dash="dash", width=1.1) | {"showlegend": False})
    forces = _at_reference(found)
    for k in range(len(found.pairs)):
        mine = [i for i, p in enumerate(found.points) if p.pair == k + 1]
        xs, ys = [KMH * found.points[i].speed_ms for i in mine], [float(forces[i]) for i in mine]
        data.append(markers(f"pair {k + 1}", xs, ys, LINES[1 + k % 5], SYMBOLS[k % 6]))
    body = [
        (f"{a:.1f}", numbers.number(b), numbers.number(c))
        for a, b, c in zip(x[::5], value[::5], half[::5], strict=True)
    ]
    axes = {"xaxis": axis("Speed [km/h]"), "yaxis": axis("Force [N]", rangemode="tozero")}
    return PageFigure(
        "force",
        "Force at the road, at 20 °C and 100 kPa",
        f"Force against speed: {value[0]:.1f} N at {x[0]:.0f} km/h, {value[-1]:.1f} N at {x[-1]:.0f} km/h.",
        {"data": data, "layout": layout(380, **axes)},
        note="Marks: mean of both directions over 5 km/h each, one shape a pair, for the eye; the fit is of speed.",
        head=("km/h", "N", "± N"),
        body=body,
        height=380,
    )


def residual_figure(found: CoastDown) -> PageFigure:
    forces = _at_reference(found)
    data = []
    for k in range(len(found.pairs)):
        mine = [i for i, p in enumerate(found.points) if p.pair == k + 1]
        v = np.array([found.points[i].speed_ms for i in mine])
        away = forces[mine] - np.interp(v, found.grid_ms, found.curve.value)
        data.append(markers(f"pair {k + 1}", (KMH * v).tolist(), away.tolist(), LINES[1 + k % 5], SYMBOLS[k % 6]))
    zero = {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": 0, "y1": 0, "line": {"color": "@ink", "width": 1}}
    axes = {"xaxis": axis("Speed [km/h]"), "yaxis": axis("Away from the mean [N]")}
    return PageFigure(
        "residuals",
        "What the curve leaves over",
        "Marks away from the mean curve against speed; a bow in them would say that the form of the curve is wrong.",
        {"data": data, "layout": layout(260, shapes=[zero], **axes)},
        height=260,
    )


def coast_figure(found: CoastDown) -> PageFigure:
    data = []
    for k, pair in enumerate(found.coasts):
        for way, coast in zip(("there", "back"), pair, strict=True):
            step = max(1, coast.t_s.size // 300)
            dash = DASHES[0 if way == "there" else 1]
            x, y = coast.t_s[::step], KMH * coast.speed_ms[::step]
            data.append(_line(f"pair {k + 1} {way}", x, y, LINES[k % 6], dash=dash))
    axes = {"xaxis": axis("Time [s]"), "yaxis": axis("Speed [km/h]", rangemode="tozero")}
    return PageFigure(
        "runs",
        "Speed while coasting",
        f"{2 * len(found.pairs)} falling lines of speed against time; between full and dashed lie slope and wind.",
        {"data": data, "layout": layout(320, **axes)},
        height=320,
    )


def pair_table(found: CoastDown) -> PageTable:
    head = ("Pair", "F0 [N]", "F2 [N s²/m²]", "Slope [N]", "Wind [m/s]", "Speed left over [m/s]")
    body = [
        (str(k), *(numbers.number(float(v)) for v in (p.force[0], p.force[2], p.slope_n, p.wind_ms, p.residual_ms)))
        for k, p in enumerate(found.pairs, start=1)
    ]
    return PageTable("Each pair, at the conditions of the day", head, body, frozenset(range(1, 6)))
