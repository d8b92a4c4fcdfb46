"""Any signals of a unit as a figure on a page of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.reports.drawing.panels import PANEL_PX, time_axis
from herdbook.pipeline.reports.drawing.thin import thin
from herdbook.pipeline.reports.drawing.traces import STEPPED, role_words, thinned_words
from herdbook.pipeline.reports.drawing.zoom_samples import Sampled, pack_samples
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.figure import DASHES, LINES, PageFigure, Spec, axis, label, layout, local_ms, packed
from herdbook.pipeline.reports.signals.window import Wire
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.vehicle.packs import unmarked
from herdbook.pipeline.vehicle.roles import ROLES

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

MOST_WIRES = 40  # in one figure; tables take any number
TITLE_PX = 10  # half of what a panel's title needs between it and the one above
ZOOM_BYTES = 4_000_000  # one figure a page: room for about three million samples of a quiet signal


def figure_page(vehicle: str, wires: list[Wire], zone: ZoneInfo | None, points: int) -> str:
    recorded = [w for w in wires if len(w.t)]
    figure = wire_figure(vehicle, recorded[:MOST_WIRES], zone, points)
    left_out = max(0, len(recorded) - MOST_WIRES)
    return html.render(
        "signals.html.j2",
        html.FIGURES,
        figures=[figure],
        vehicle=vehicle,
        figure=figure,
        left_out=left_out,
        without=numbers.listing([shown(w.name) for w in wires if not len(w.t)]),
        zone=zone.key if zone else "UTC",
    )


def wire_figure(vehicle: str, wires: list[Wire], zone: ZoneInfo | None, points: int) -> PageFigure:
    """One panel a unit and role, in the order asked for, over one time axis."""
    groups: dict[str, list[Wire]] = {}
    for wire in wires:
        groups.setdefault(wire.name.split("[")[0], []).append(wire)
    data: list[Spec] = []
    axes: dict[str, Spec] = {}
    count, drawn = len(groups), 0
    gap = TITLE_PX / (PANEL_PX * max(1, count))
    sampled: list[Sampled] = []
    for index, (name, members) in enumerate(groups.items()):
        y = "y" if index == 0 else f"y{index + 1}"
        bottom = 1 - (index + 1) / count
        axes["yaxis" + y[1:]] = _panel_axis(name, members[0], [bottom + gap, bottom + 1 / count - gap])
        for order, wire in enumerate(members):
            trace, kept = _trace(wire, order, zone, points)
            sampled.append(Sampled(len(data), wire.t, wire.v.astype(np.float64), points))
            data.append(trace | {"yaxis": y})
            drawn += kept
    height = 100 + PANEL_PX * count
    spec = {
        "data": data,
        "layout": layout(height, xaxis=time_axis(zone, count), hovermode="x unified", hoversubplots="axis", **axes),
    }
    more = pack_samples(sampled, zone, ZOOM_BYTES)
    body = [_numbers(wire) for wire in wires]
    head = ("Signal", "Unit", "Lowest", "Median", "Highest", "Samples")
    what = numbers.listing([shown(name) for name in groups])
    alt = f"Line chart of {what} of {vehicle} against time."
    return PageFigure(
        "signals",
        f"{vehicle}: {what}",
        alt,
        spec,
        thinned_words(drawn, sum(len(s.v) for s in sampled)) + more.text,
        head=head,
        body=body,
        height=height,
        zoom=more.blob,
    )


def shown(name: str) -> str:
    """A role in words, with its group or side: "Motor current left"; a signal by the name that its DBC gives it."""
    role, _, item = name.partition("[")
    if unmarked(role)[1] not in ROLES:
        return name
    return f"{role_words(role)} {item.removesuffix(']')}".rstrip()


def _panel_axis(name: str, first: Wire, domain: list[float]) -> Spec:
    unit = numbers.unit(first.unit)
    y = axis("", domain=domain)
    y["title"] = {"text": label(shown(name)) + (f"<br>[{label(unit)}]" if unit else "")}
    if first.states:
        y |= {"tickvals": list(range(len(first.states))), "ticktext": list(first.states)}
    return y


def _trace(wire: Wire, order: int, zone: ZoneInfo | None, points: int) -> tuple[Spec, int]:
    t, v = thin(wire.t, wire.v.astype(np.float64), points)
    line = {
        "color": LINES[order % 6],
        "width": 1.3,
        "dash": DASHES[order // 6 % 6],
        "shape": "hv" if wire.unit in STEPPED else "linear",
    }
    return {
        "type": "scatter",
        "mode": "lines",
        "name": label(shown(wire.name)),
        "x": packed(local_ms(t, zone)),
        "y": packed(v, "f4"),
        "line": line,
        "connectgaps": False,
        "hovertemplate": f"%{{y:.5g}} {label(numbers.unit(wire.unit))}",
    }, int(np.count_nonzero(~np.isnan(v)))


def _numbers(wire: Wire) -> tuple[str, ...]:
    good = wire.v[np.isfinite(wire.v.astype(np.float64))].astype(np.float64)
    if not good.size:
        return shown(wire.name), numbers.unit(wire.unit), "", "", "", "0"
    low, mid, high = (numbers.number(float(x)) for x in (good.min(), np.median(good), good.max()))
    return shown(wire.name), numbers.unit(wire.unit), low, mid, high, str(good.size)
