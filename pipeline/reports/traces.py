"""Signals of one vehicle for drawing: loaded, labelled, thinned and stacked in panels over one time axis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.quantities import ROLES
from pipeline.reports import words
from pipeline.reports.figure import DASHES, LINES, Spec, axis, label, layout, local_ms, packed
from pipeline.reports.thin import thin
from pipeline.signals import Series, Signals

if TYPE_CHECKING:
    from pipeline.store import Store

POINTS = 2400  # a trace: twice the pixel columns of a wide figure
PANEL_PX, MANY_PX = 150, 105  # height of a panel; of each when there are more than four
STEPPED = ("state", "bits", "1", "id")


@dataclass(frozen=True, slots=True)
class Panel:
    """One role drawn. bold: the items a finding is about; others are drawn thin. limit: (value, words) or
    None."""

    role: str
    bold: frozenset[str] = frozenset()
    limit: tuple[float, str] | None = None


def role_words(role: str) -> str:
    """cell_voltage -> Cell voltage."""
    text = role.replace("_", " ").replace("fet", "power stage").replace("bms", "BMS").replace("soc", "state of charge")
    return text[0].upper() + text[1:]


def item_words(item: int | str) -> str:
    return f"no. {item}" if isinstance(item, int) else str(item)


def load(store: Store, vehicle: str, start: int, end: int, roles: tuple[str, ...] | None) -> Signals:
    """The lake's samples of [start, end) microseconds UTC; roles unknown to this version are passed over."""
    from pipeline.lake import load_signals

    known = None if roles is None else [role for role in roles if role in ROLES]
    return load_signals(store, vehicle, start, end, known)


def stack(
    signals: Signals,
    panels: list[Panel],
    zone: ZoneInfo | None,
    points: int = POINTS,
    window: tuple[int, int] | None = None,
) -> tuple[Spec, str]:
    """The panels one above the other over one time axis, with the window shaded. Also says what thinning
    left out."""
    panels = [p for p in panels if signals.has(p.role)]
    data: list[Spec] = []
    shapes: list[Spec] = []
    axes: dict[str, Any] = {}
    drawn = held = 0
    count = max(1, len(panels))
    for index, panel in enumerate(panels):
        name = "y" if index == 0 else f"y{index + 1}"
        top = 1 - index / count
        axes["yaxis" + name[1:]] = _y_axis(panel, (top - 1 / count + 0.035, top - 0.01))
        for order, item in enumerate(signals.items(panel.role)):
            series = signals.series(panel.role, item)
            if not len(series):
                continue
            trace, kept = _trace(series, panel, item, order, zone, points)
            data.append(trace | {"yaxis": name})
            drawn, held = drawn + kept, held + len(series)
        if panel.limit:
            shapes.append(_limit_line(name, panel.limit))
    if window:
        shapes.append(_shade(window, zone))
    spec_layout = layout(
        90 + (PANEL_PX if count <= 4 else MANY_PX) * count,
        xaxis=axis(
            f"Time of day ({zone.key if zone else 'UTC'})",
            type="date",
            anchor="y" if count == 1 else f"y{count}",
            showspikes=True,
            spikemode="across",
            spikethickness=1,
            spikecolor="@muted",
            spikedash="solid",
        ),
        shapes=shapes,
        hovermode="x unified",
        hoversubplots="axis",
        **axes,
    )
    spec_layout["annotations"] = [_limit_note(s) for s in shapes if "meta" in s]
    return {"data": data, "layout": spec_layout}, thinned_words(drawn, held)


def thinned_words(drawn: int, held: int) -> str:
    if drawn >= held:
        return f"Every sample is drawn ({words.plural(held, 'sample')})."
    return (
        f"Drawn: {drawn:,} of {held:,} samples; of every slice of time the lowest and the highest are kept, "
        "so no spike is lost."
    ).replace(",", "\u202f", 2)


def _y_axis(panel: Panel, domain: tuple[float, float]) -> Spec:
    role = ROLES[panel.role]
    shown = words.unit(role.unit)
    y = axis(f"{role_words(panel.role)}{f'<br>{shown}' if shown else ''}", domain=list(domain))
    y["title"]["text"] = role_words(panel.role).replace(" ", "<br>", 1) + (f"<br>[{shown}]" if shown else "")
    y["title"]["font"] = {"size": 11}
    if role.states:
        y |= {"tickvals": list(range(len(role.states))), "ticktext": list(role.states)}
    return y


def _trace(
    series: Series, panel: Panel, item: int | str, order: int, zone: ZoneInfo | None, points: int
) -> tuple[Spec, int]:
    t, v = thin(series.t, series.v, points)
    strong = not panel.bold or str(item) in panel.bold
    color = ("@strong" if panel.bold else LINES[order % len(LINES)]) if strong else "@faint"
    stepped = ROLES[panel.role].unit in STEPPED
    name = f"{role_words(panel.role)} {item_words(item)}".strip() if item != "" else role_words(panel.role)
    line: Spec = {
        "color": color,
        "width": 2.2 if strong and panel.bold else 1.3,
        "shape": "hv" if stepped else "linear",
    }
    if strong and not panel.bold and order:
        line["dash"] = DASHES[(order // len(LINES) + order) % len(DASHES)]
    trace: Spec = {
        "type": "scatter",
        "mode": "lines",
        "name": label(name),
        "x": packed(local_ms(t, zone)),
        "y": packed(v),
        "line": line,
        "connectgaps": False,
        "showlegend": strong and item != "",
        "hoverinfo": "all" if strong else "skip",
        "hovertemplate": f"%{{y:.4g}} {label(words.unit(ROLES[panel.role].unit))}",
    }
    return trace, int(np.count_nonzero(~np.isnan(v)))


def _limit_line(y: str, limit: tuple[float, str]) -> Spec:
    return {
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "yref": y,
        "y0": limit[0],
        "y1": limit[0],
        "line": {"color": "@stop", "width": 1.6, "dash": "dash"},
        "layer": "above",
        "meta": limit[1],
    }


def _limit_note(shape: Spec) -> Spec:
    return {
        "xref": "paper",
        "x": 1,
        "xanchor": "right",
        "yref": shape["yref"],
        "y": shape["y0"],
        "yanchor": "bottom",
        "text": label(shape.pop("meta")),
        "showarrow": False,
        "font": {"size": 11, "color": "@stop"},
    }


def _shade(window: tuple[int, int], zone: ZoneInfo | None) -> Spec:
    x0, x1 = local_ms(np.array(window, np.int64), zone)
    return {
        "type": "rect",
        "xref": "x",
        "x0": float(x0),
        "x1": float(x1),
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "fillcolor": "@shade",
        "line": {"width": 0},
        "layer": "below",
    }
