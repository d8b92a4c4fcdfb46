"""All events of a finding laid over each other: whether they are one pattern, and what states and faults do in it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.dossier.evidence import BitNames, lanes_of, panel_of, word_ticks
from herdbook.pipeline.reports.drawing.overlay import Occurrence, overlay
from herdbook.pipeline.reports.drawing.traces import load, role_words
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.figure import PageFigure
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.times import micros
from herdbook.pipeline.vehicle.roles import ROLES

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

LEAST, MOST = 2, 6  # events: one is drawn already, more hide each other
MOST_PANELS = 3
BEFORE_S = 2.0
LONGEST_S = 120.0  # longer windows are states, no events: their starts have nothing in common


def figure(store: Store, facts: Facts, finding: Row, bits: BitNames) -> PageFigure | None:
    """None where the finding has no several short events, or their signals cannot be read."""
    windows = [(micros(w["start_t"]), micros(w["end_t"])) for w in finding["windows"][:MOST]]
    longest = max(((b - a) / 1e6 for a, b in windows), default=0.0)
    roles = tuple(role for role in finding["signals"] if role in ROLES)[:MOST_PANELS]
    if len(windows) < LEAST or longest > LONGEST_S or not roles:
        return None
    after_s = max(2.0, 1.3 * longest)
    lanes = lanes_of(finding["rule"], roles)
    events = []
    for window, (start, _) in zip(finding["windows"], windows, strict=False):
        lead, tail = int((BEFORE_S + 1) * 1e6), int((after_s + 1) * 1e6)
        try:
            signals = load(store, facts.vehicle, start - lead, start + tail, (*roles, *lanes), pack=facts.pack)
        except HerdbookError:
            continue
        events.append(Occurrence(signals, start, numbers.moment(window["start_t"], facts.zone)))
    if len(events) < LEAST:
        return None
    first = events[0].signals
    panels = [panel_of(role, finding, first) for role in roles]
    pieces = [e.signals for e in events]
    panels += [replace(panel_of(r, finding, first), words=word_ticks(pieces, r, bits)) for r in lanes]
    spec = overlay(events, panels, before_s=BEFORE_S, after_s=after_s)
    if not spec["data"]:
        return None
    count = numbers.plural(len(events), "event")
    drawn = numbers.listing([role_words(p.role).lower() for p in panels if any(e.signals.has(p.role) for e in events)])
    of = "" if finding["count"] <= len(events) else f" of {finding['count']}, the worst"
    return PageFigure(
        id=f"all-{finding['finding'][:12]}",
        title=f"{finding['title']}: its events laid over each other",
        alt=f"Line chart of {drawn} against the seconds from the start of each event, {count} over each other.",
        spec=spec,
        note=f"n = {count}{of}. Every event begins at 0 s (dotted). What all lines do alike is the pattern.",
        height=int(spec["layout"]["height"]),
    )
