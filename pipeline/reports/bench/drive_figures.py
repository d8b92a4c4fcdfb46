"""Figures of a drive test: maps with contours and measured points, torque over current, drag, heat."""

from __future__ import annotations

import math

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.drive import Drive, DriveChange, EfficiencyMap
from herdbook.pipeline.reports.page.figure import DASHES, PageFigure, Spec, axis, layout, markers, packed
from herdbook.pipeline.reports.page.still.scale import nice_step
from herdbook.pipeline.science.loss_map import contour

EFFICIENCY = [[0.0, "#c2571a"], [0.4, "#eec27a"], [0.7, "@neutral"], [1.0, "#1b6e8c"]]
HALF_WIDTH = [[0.0, "@neutral"], [1.0, "#a63c06"]]
DIFFERENCE = [[0.0, "#a63c06"], [0.5, "@neutral"], [1.0, "#1f5fa8"]]
HEIGHT = 440


def efficiency_figure(found: Drive, way: str, one: EfficiencyMap) -> PageFigure:
    z = 100 * one.efficiency[::-1]
    low = float(np.nanquantile(z, 0.05))
    data = [_heat(z, (low, float(np.nanmax(z))), EFFICIENCY, "%")]
    top = float(np.nanmax(z))
    step = 5.0 if top - low > 18 else 2.0 if top - low > 7 else 1.0
    levels = np.arange(math.ceil(low / step) * step, top, step)[-5:]
    data += [_contour(z, float(level), k) for k, level in enumerate(levels)]
    data.append(_marks(found, one))
    best = np.unravel_index(int(np.nanargmax(z)), z.shape)
    at = f"{one.speed_rpm[best[1]]:.0f} rpm and {one.torque_nm[::-1][best[0]]:.1f} Nm"
    empty = int(np.isnan(z).sum())
    share = "under 1" if empty < 0.01 * z.size else f"{100 * empty / z.size:.0f}"
    gaps = f" Blank: {share} % of the field, where nothing was measured nearby." if empty else ""
    return PageFigure(
        f"map-{way}",
        f"Efficiency {way} [%]",
        f"Efficiency over speed and torque, {len(levels)} contours, measured points; best {z[best]:.1f} % at {at}.",
        {"data": data, "layout": _axes(one)},
        note=f"Rings: measured points. Lines: {', '.join(f'{v:g}' for v in levels)} %.{gaps}",
        head=("rpm", "Nm", "efficiency %", "± %"),
        body=point_rows(found, one),
        height=HEIGHT,
    )


def half_width_figure(way: str, one: EfficiencyMap) -> PageFigure:
    z = 100 * one.half_width[::-1]
    most = float(np.nanquantile(z, 0.98))
    data = [_heat(z, (0.0, most), HALF_WIDTH, "points")]
    data += [
        _contour(z, level, k) for k, level in enumerate((0.5, 1.0, 2.0, 4.0)) if np.nanmin(z) < level < np.nanmax(z)
    ]
    return PageFigure(
        f"error-{way}",
        f"How well it is known {way}: half width of the 95 % interval [percentage points]",
        f"Map of the half width: {np.nanmin(z):.1f} points where it is known best, {most:.1f} at the edges.",
        {"data": data, "layout": _axes(one)},
        height=HEIGHT,
    )


def difference_figure(c: DriveChange) -> PageFigure:
    z = 100 * c.difference[::-1]
    reach = max(1.0, float(np.nanquantile(np.abs(z), 0.98)))
    sure = 100 * (np.abs(c.difference) - c.half_width)[::-1]
    data = [_heat(z, (-reach, reach), DIFFERENCE, "points"), _contour(sure, 0.0, 0, "differs inside this line")]
    axes = _field(c.speed_rpm, c.torque_nm)
    return PageFigure(
        f"change-{c.way}",
        f"Efficiency {c.way}, second less first [percentage points]",
        f"Map of the difference in efficiency {c.way}, {100 * c.told_apart:.0f} % of the places differ.",
        {"data": data, "layout": axes},
        note="About one place in twenty would differ by chance. Blank: not measured by both.",
        height=HEIGHT,
    )


def _heat(z: Floats, ends: tuple[float, float], scale: list[list[object]], unit: str) -> Spec:
    """Cells by place of column and row, the largest torque on top."""
    low, high = ends if ends[1] > ends[0] else (ends[0] - 0.5, ends[0] + 0.5)
    return {
        "type": "heatmap",
        "z": [[None if v != v else round(float(v), 3) for v in row] for row in z],
        "x": list(range(z.shape[1])),
        "y": list(range(z.shape[0])),
        "zmin": low,
        "zmax": high,
        "colorscale": scale,
        "colorbar": {"title": {"text": f"[{unit}]"}, "thickness": 12, "outlinewidth": 0},
        "hovertemplate": "%{z:.1f} " + unit + "<extra></extra>",
    }


def _contour(z: Floats, level: float, k: int, name: str = "") -> Spec:
    x, y = contour(z, level)
    line = {"color": "@ink", "width": 1.5, "dash": DASHES[k % len(DASHES)]}
    shown = name or f"{level:g}"
    return {
        "type": "scatter",
        "mode": "lines",
        "name": shown,
        "x": packed(x),
        "y": packed(y),
        "line": line,
        "hoverinfo": "skip",
    }


def _marks(found: Drive, one: EfficiencyMap) -> Spec:
    rpm, torque = (np.abs(found.points[name].value[one.points]) for name in ("speed", "torque"))
    columns, rows = one.speed_rpm.size - 1, one.torque_nm.size - 1
    x = (rpm - one.speed_rpm[0]) / (one.speed_rpm[-1] - one.speed_rpm[0]) * columns
    y = rows - (torque - one.torque_nm[0]) / (one.torque_nm[-1] - one.torque_nm[0]) * rows
    trace = markers("measured", np.round(x, 2).tolist(), np.round(y, 2).tolist(), "@ink", "circle-open")
    eff = found.powers.efficiency[one.points]
    texts = [f"{a:.0f} rpm, {b:.2f} Nm: {100 * e:.1f} %" for a, b, e in zip(rpm, torque, eff, strict=True)]
    return trace | {"text": texts, "hovertemplate": "%{text}<extra></extra>"}


def _axes(one: EfficiencyMap) -> Spec:
    return _field(one.speed_rpm, one.torque_nm)


def _field(speed: Floats, torque: Floats) -> Spec:
    x_at, x_words = _ticks(speed, 8)
    y_at, y_words = _ticks(torque, 7)
    rows = torque.size - 1
    x = axis("Speed [rpm]", tickvals=x_at, ticktext=x_words, range=[-0.5, speed.size - 0.5], showgrid=False)
    y = axis(
        "Torque [Nm]", tickvals=[rows - v for v in y_at], ticktext=y_words, range=[rows + 0.5, -0.5], showgrid=False
    )
    return layout(HEIGHT, xaxis=x, yaxis=y)


def _ticks(values: Floats, most: int) -> tuple[list[float], list[str]]:
    """Round numbers within the values, as places among them."""
    low, high = float(values[0]), float(values[-1])
    step = nice_step((high - low) / most)
    chosen = [k * step for k in range(math.ceil(low / step), math.floor(high / step) + 1)]
    digits = max(0, -math.floor(math.log10(step)))
    return [(v - low) / (high - low) * (values.size - 1) for v in chosen], [f"{v:.{digits}f}" for v in chosen]


def point_rows(found: Drive, one: EfficiencyMap) -> list[tuple[str, ...]]:
    p = found.powers
    rows: list[tuple[str, ...]] = []
    for k in np.flatnonzero(one.points).tolist():
        rpm, torque = (abs(float(found.points[name].value[k])) for name in ("speed", "torque"))
        eff, half = 100 * p.efficiency[k], 196 * p.efficiency_se[k]
        rows.append(
            (f"{rpm:.0f}", f"{torque:.2f}", "–" if eff != eff else f"{eff:.1f}", "–" if eff != eff else f"{half:.1f}")
        )
    return rows


def torque_figure(found: Drive) -> PageFigure:
    amps, torque = found.points["motor_current"].value, found.points["torque"].value
    rpm = found.points["speed"].value
    use = np.isfinite(amps) & ~found.constants.driven
    inner = torque[use] + np.sign(rpm[use]) * found.constants.drag_nm(rpm)[use]
    data = [markers("measured", amps[use].tolist(), inner.tolist(), "@line1")]
    k = found.constants.torque_nm_per_a
    assert k is not None
    ends = np.array([float(amps[use].min()), float(amps[use].max())])
    line = {"color": "@line2", "width": 1.6}
    fitted = {"type": "scatter", "mode": "lines", "name": f"{k.value:.4f} Nm/A", "line": line}
    data.append(fitted | {"x": ends.tolist(), "y": (k.value * ends).tolist()})
    axes = {"xaxis": axis("Motor current [A]"), "yaxis": axis("Torque with drag added [Nm]")}
    return PageFigure(
        "torque",
        "Torque over motor current",
        f"Torque rises by {k.value:.4f} Nm for each ampere from {ends[0]:.0f} to {ends[1]:.0f} A.",
        {"data": data, "layout": layout(300, **axes)},
        note="Current as the controller counts it: the constant is per ampere of that.",
        height=300,
    )


def drag_figure(found: Drive) -> PageFigure:
    c = found.constants
    assert c.drag is not None
    x = np.linspace(c.drag.lowest_rpm, c.drag.highest_rpm, 40)
    data: list[Spec] = []
    if c.driven.any():
        rpm, torque = found.points["speed"].value[c.driven], found.points["torque"].value[c.driven]
        se = found.points["torque"].se[c.driven]
        error = {"error_y": {"array": (1.96 * se).tolist(), "color": "@line1"}}
        data.append(markers("measured", np.abs(rpm).tolist(), np.abs(torque).tolist(), "@line1") | error)
    for name, curve, color, dash in (
        ("with magnets", c.drag, "@line1", "solid"),
        ("without magnets", c.bare, "@line2", "dash"),
    ):
        if curve is not None:
            line = {"color": color, "width": 1.6, "dash": dash}
            data.append(
                {
                    "type": "scatter",
                    "mode": "lines",
                    "name": name,
                    "x": x.tolist(),
                    "y": curve.at(x).tolist(),
                    "line": line,
                }
            )
    axes = {"xaxis": axis("Speed [rpm]"), "yaxis": axis("Torque [Nm]", rangemode="tozero")}
    return PageFigure(
        "drag",
        "Torque without load",
        f"Drag against speed, {c.drag.at(x[:1])[0]:.3f} to {c.drag.at(x[-1:])[0]:.3f} Nm.",
        {"data": data, "layout": layout(280, **axes)},
        note=f"Found {c.drag_how}. What stays is friction and hysteresis, what grows is grease and eddy currents.",
        height=280,
    )


def heat_figure(found: Drive) -> PageFigure:
    assert found.heat is not None
    m = found.heat.model
    x = found.heat.t_s / 60.0
    step = max(1, x.size // 600)
    data = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": name,
            "x": x[::step].tolist(),
            "y": y[::step].tolist(),
            "line": line,
        }
        for name, y, line in (
            ("measured", m.measured_c, {"color": "@line1", "width": 1.8}),
            ("model", m.fitted_c, {"color": "@line2", "width": 1.4, "dash": "dash"}),
        )
    ]
    tau, low, high = m.interval(m.tau_s)
    axes = {"xaxis": axis("Time [min]"), "yaxis": axis("Winding [°C]")}
    return PageFigure(
        "heat",
        "The winding's temperature and its model",
        f"Temperature measured and modelled; time constant {tau:.0f} s ({low:.0f} to {high:.0f}).",
        {"data": data, "layout": layout(300, **axes)},
        note="One body that warms with the square of the current and cools to the air. A sensor beside the winding "
        f"lags, and its hottest spot is hotter. Left over: {m.left_over_k:.1f} K.",
        height=300,
    )
