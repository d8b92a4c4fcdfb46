"""The strip of a history: everything that has a date on one axis, a lane each for what it is.

Drawn from the document alone, so that whoever checks a page can draw it again.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from markupsafe import Markup

from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.reports.page.figure import Spec, axis, label, layout, local_ms, markers, packed
from herdbook.pipeline.reports.page.still.picture import still
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.times import from_stamp, micros

Document = dict[str, Any]
COLORS = {"stop-use": "@stop", "service": "@service", "note": "@note"}
LANE_PX = 26
TOLD = "Used after it was told"  # topic of the lines that say when a scan told of a finding


def strip(made: Document, zone: ZoneInfo | None) -> Markup:
    """SVG; empty where nothing has a date."""
    drawn = [lane for lane in _lanes(made, zone) if lane[1]]
    if not drawn:
        return Markup("")
    names = [name for name, _, _ in drawn]
    data = [_lane(name, spans, color) for name, spans, color in drawn]
    height = 90 + LANE_PX * len(names)
    y = axis("", type="category", categoryarray=names[::-1])
    x = axis(f"Date ({zone.key if zone else 'UTC'})", type="date", **_reach(data))
    return still({"data": data, "layout": layout(height, xaxis=x, yaxis=y, showlegend=False)}, height)


Span = tuple[float, float]  # milliseconds of the wall clock


def _lanes(made: Document, zone: ZoneInfo | None) -> list[tuple[str, list[Span], str]]:
    found = [line for line in made["lines"] if line["section"] == "events" and line["from"]]
    told = [line for line in found if line["topic"] == TOLD]
    entered = [line for line in made["lines"] if line["section"] == "book" and line["from"]]
    grave = [(s, [line for line in found if line["severity"] == s]) for s in reversed(Severity)]
    logs = [_span(log["from"], log["to"], zone) for log in made["logs"]]
    return [
        ("built", _day(made.get("built")), "@line6"),
        ("in service", _day(made.get("in_service")), "@line6"),
        ("logs", logs, "@line1"),
        *(
            (
                f"findings: {numbers.SEVERITY_WORD[s].lower()}",
                [_span(line["from"], line["to"], zone) for line in lines],
                COLORS[s],
            )
            for s, lines in grave
        ),
        ("entered by people", [_span(e["from"], e["to"], zone) for e in entered], "@line2"),
        ("told by a scan", [_span(line["from"], line["from"], zone) for line in told], "@line4"),
        ("written", [_span(made["at"], made["at"], zone)] if made.get("at") else [], "@line6"),
    ]


def _span(start: str, end: str, zone: ZoneInfo | None) -> Span:
    a, b = local_ms(np.array([micros(from_stamp(start)), micros(from_stamp(end))], np.int64), zone)
    return float(a), float(b)


def _day(stated: str | None) -> list[Span]:
    """A calendar day, whatever the zone."""
    if not stated:
        return []
    begin = datetime.fromisoformat(stated)
    ends = [(t - datetime(1970, 1, 1)) / timedelta(milliseconds=1) for t in (begin, begin + timedelta(days=1))]
    return [(ends[0], ends[1])]


def _lane(name: str, spans: list[Span], color: str) -> Spec:
    """Stretches as bars; moments as marks."""
    if all(a == b for a, b in spans):
        return markers(name, [a for a, _ in spans], [label(name)] * len(spans), color, "diamond")
    return {
        "type": "bar",
        "orientation": "h",
        "name": label(name),
        "y": [label(name)] * len(spans),
        "base": packed(np.array([a for a, _ in spans])),
        "x": packed(np.array([max(b - a, 1.0) for a, b in spans])),
        "marker": {"color": color},
    }


def _reach(data: list[Spec]) -> Spec:
    from herdbook.pipeline.reports.page.still.scale import as_numbers

    ends: list[float] = []
    for trace in data:
        begin = as_numbers(trace["base"] if trace["type"] == "bar" else trace["x"])
        ends += begin.tolist()
        if trace["type"] == "bar":
            ends += (begin + as_numbers(trace["x"])).tolist()
    pad = max(0.02 * (max(ends) - min(ends)), 12 * 3.6e6)
    return {"range": [min(ends) - pad, max(ends) + pad]}
