"""Findings and the service book of the herd as vehicle by day, over the days that logs cover."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import Entry, Kind
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.reports.drawing.book_strip import LANES
from herdbook.pipeline.reports.page.figure import Spec, axis, label, layout, packed
from herdbook.pipeline.reports.page.still.picture import still
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

MOST_VEHICLES = 40  # lanes; the gravest first
MOST_DAYS = 400  # back from the newest: a longer strip shows nothing
MOST_ENTERED = 10  # lanes of vehicles without a grave finding: those of the newest entries
LANE_PX = 18
PARTS = "part in or out"
SYMBOLS = {
    "complaint, return": "triangle-up",
    "acknowledged, inspection": "circle-open",
    "repair, campaign, firmware": "square",
    PARTS: "diamond-open",
}
_KINDS = ((*LANES["complaints"], Kind.RETURNED), LANES["inspections"], LANES["repairs"], LANES["parts"])
MARKS = {kind: name for name, kinds in zip(SYMBOLS, _KINDS, strict=True) for kind in kinds}
COLORS = {"stop-use": "@stop", "service": "@service", "note": "@note"}
DAY_MS = 86_400_000.0
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EPOCH_DAY = date(1970, 1, 1).toordinal()


def strip(con: duckdb.DuckDBPyConnection) -> Markup:
    """SVG; empty while nothing is found and nothing entered. Days are UTC days; an entry stands on the day it names."""
    grave = [f for f in ask(con, __name__, "all_findings") if f["severity"] != Severity.NOTE.value]
    entered = [e for e in book.entries(con) if e.holds and e.kind in MARKS]
    names = list(dict.fromkeys(f["vehicle"] for f in sorted(grave, key=_order)))[:MOST_VEHICLES]
    others = [e.vehicle for e in reversed(entered) if e.vehicle not in names and MARKS[e.kind] != PARTS]
    names += list(dict.fromkeys(others))[: min(MOST_ENTERED, MOST_VEHICLES - len(names))]
    if not names:
        return Markup("")
    logs = ask(con, __name__, "logs_of_named", vehicles=names)
    covered = {name: _days([(g["start_t"], g["end_t"]) for g in logs if g["vehicle"] == name]) for name in names}
    marked = [e for e in entered if e.vehicle in covered]
    newest = max((d for days in covered.values() for d in days), default=0)
    newest = max([newest, *map(_day_entered, marked)])
    data = [_lane("days with a log", covered, newest, "@faint", 0.3)]
    for severity in Severity:  # the gravest on top, and the highest
        seen: dict[str, set[int]] = defaultdict(set)
        for f in grave:
            if f["severity"] == severity and f["vehicle"] in covered:
                seen[f["vehicle"]] |= _evidence(f)
        if seen:
            tall = 0.9 if severity == Severity.STOP_USE else 0.6
            data.append(_lane(numbers.SEVERITY_WORD[severity].lower(), seen, newest, COLORS[severity], tall))
    data += [_marks(name, [e for e in marked if MARKS[e.kind] == name], newest) for name in SYMBOLS]
    shown = [trace for trace in data if trace["y"]]
    height = 90 + LANE_PX * len(names)
    y = axis("", type="category", categoryarray=[label(n) for n in reversed(names)])
    spec = {"data": shown, "layout": layout(height, xaxis=axis("Day (UTC)", type="date"), yaxis=y)}
    return still(spec, height)


def _order(f: Row) -> tuple[int, str]:
    return -list(Severity).index(Severity(f["severity"])), f["vehicle"]


def _day(t: datetime) -> int:
    return (t.replace(tzinfo=UTC) - _EPOCH) // timedelta(days=1)


def _day_entered(e: Entry) -> int:
    return date.fromisoformat(e.day).toordinal() - _EPOCH_DAY


def _days(spans: list[tuple[datetime, datetime]]) -> set[int]:
    return {d for a, b in spans if a and b for d in range(_day(a), min(_day(b), _day(a) + MOST_DAYS) + 1)}


def _evidence(f: Row) -> set[int]:
    """Days of a finding's windows, and of its first and last evidence."""
    windows = {_day(w["start_t"]) for w in f["windows"] or []}
    return windows | {_day(t) for t in (f["first_t"], f["last_t"]) if t}


def _marks(name: str, entries: list[Entry], newest: int) -> Spec:
    """One mark an entry, in the middle of its day."""
    kept = [e for e in entries if _day_entered(e) > newest - MOST_DAYS]
    middle = [(_day_entered(e) + 0.5) * DAY_MS for e in kept]
    return {
        "type": "scatter",
        "mode": "markers",
        "name": label(name),
        "x": packed(np.array(middle)),
        "y": [label(e.vehicle) for e in kept],
        "marker": {"symbol": SYMBOLS[name], "color": "@line2", "size": 8},
    }


def _lane(name: str, days: dict[str, set[int]], newest: int, color: str, tall: float) -> Spec:
    """Days of all vehicles as bars of one day each, neighbouring days as one."""
    lanes, begin, long = [], [], []
    for vehicle, chosen in days.items():
        kept = np.array(sorted(d for d in chosen if d > newest - MOST_DAYS), int)
        for part in np.split(kept, np.flatnonzero(np.diff(kept) > 1) + 1) if kept.size else ():
            lanes.append(label(vehicle))
            begin.append(float(part[0]) * DAY_MS)
            long.append(float(part.size) * DAY_MS)
    bars = {
        "type": "bar",
        "orientation": "h",
        "name": label(name),
        "y": lanes,
        "marker": {"color": color},
        "width": tall,
    }
    return bars | {"base": packed(np.array(begin)), "x": packed(np.array(long))}
