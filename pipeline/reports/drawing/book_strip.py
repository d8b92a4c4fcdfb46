"""What people entered, what was found and when there is a record, as lanes over one dated strip; marks lead on.

Times of entries are days or minutes, sessions and findings lasted from then to then. A still SVG of the page's own
colours: it needs no script.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from markupsafe import Markup, escape

from herdbook.pipeline.book.entry import Entry, Kind
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.figure import local_ms
from herdbook.pipeline.reports.page.still.picture import leaning
from herdbook.pipeline.reports.page.still.scale import Scale, ticks
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.times import micros

LANE_PX, TOP, FOOT, LEFT = 24, 8, 30, 118
LEAST = 0.25  # percent of the width: what is shorter is drawn so wide
ACROSS = 6  # ticks
LANES: dict[str, tuple[str, ...]] = {
    "complaints": (Kind.COMPLAINT,),
    "inspections": (Kind.ACKNOWLEDGED, Kind.TO_INSPECTION, Kind.INSPECTION),
    "repairs": (Kind.REPAIR, Kind.CAMPAIGN, Kind.FIRMWARE),
    "parts": (Kind.FITTED, Kind.REMOVED),
    "other entries": (Kind.SOLD, Kind.IN_SERVICE, Kind.RETURNED, Kind.SCRAPPED, Kind.NOTE),
}
SYMBOLS = {"complaints": "M0-6L6 5H-6z", "repairs": "M-5-5H5V5H-5z"}
DIAMOND = "M0-6L6 0 0 6-6 0z"
COLORS = {"stop-use": "var(--stop)", "service": "var(--service)", "note": "var(--note)"}
Spans = Sequence[tuple[datetime, datetime]]


@dataclass(frozen=True, slots=True)
class Mark:
    """start, end: milliseconds of the wall clock. path: of a mark that is no bar. href: where it leads, or ""."""

    start: float
    end: float
    words: str
    color: str
    href: str = ""
    path: str = ""


@dataclass(frozen=True, slots=True)
class StripLane:
    name: str
    marks: tuple[Mark, ...]


def book_strip(
    facts: Facts, sessions: Mapping[str, Spans], entry_href: Callable[[Entry], str], finding_href: Callable[[str], str]
) -> Markup:
    """SVG; empty where nothing is entered. sessions: by kind, from when to when, naive UTC. entry_href, finding_href:
    where the mark of an entry, or of a finding (its id), leads."""
    held = [e for e in facts.book if e.holds and e.kind != Kind.STRUCK]
    if not held:
        return Markup("")
    lanes = [StripLane(name, tuple(_entries(facts, held, kinds, name, entry_href))) for name, kinds in LANES.items()]
    lanes += [StripLane(*_findings(facts, severity, finding_href)) for severity in reversed(Severity)]
    lanes += [StripLane(f"{kind}s", tuple(_sessions(facts, kind, spans))) for kind, spans in sessions.items()]
    return drawn([lane for lane in lanes if lane.marks], facts.zone_name)


def _entries(
    facts: Facts, held: Iterable[Entry], kinds: tuple[str, ...], name: str, href: Callable[[Entry], str]
) -> Iterable[Mark]:
    for e in held:
        if e.kind in kinds:
            about = e.about(facts.rule_title(e.rule) if e.rule else "")
            words = ": ".join(w for w in (f"{e.when}, {e.kind}", about, e.said) if w)
            start, end = _ms(facts, e.from_t), _ms(facts, e.to_t)
            yield Mark(start, end, words, "var(--line2)", href(e), SYMBOLS.get(name, DIAMOND))


def _findings(facts: Facts, severity: Severity, href: Callable[[str], str]) -> tuple[str, tuple[Mark, ...]]:
    marks = tuple(
        Mark(
            _ms(facts, f["first_t"]),
            _ms(facts, f["last_t"]),
            f"{f['title']} {f['item']}".strip() + f", {numbers.span(f['first_t'], f['last_t'], facts.zone)}",
            COLORS[severity],
            href(f["finding"]),
        )
        for f in facts.graves(severity)
        if f["first_t"] and f["last_t"]
    )
    return f"{numbers.SEVERITY_WORD[severity].lower()} findings", marks


def _sessions(facts: Facts, kind: str, spans: Spans) -> Iterable[Mark]:
    for start, end in spans:
        yield Mark(_ms(facts, start), _ms(facts, end), f"{kind}, {numbers.day(start, facts.zone)}", "var(--line1)")


def _ms(facts: Facts, t: datetime) -> float:
    return float(local_ms(np.array([micros(t)], np.int64), facts.zone)[0])


def days(starts: Iterable[datetime]) -> list[tuple[datetime, datetime]]:
    """Days as spans of a day each."""
    return [(t, t + timedelta(days=1)) for t in starts]


def drawn(lanes: Sequence[StripLane], zone: str) -> Markup:
    ends = [t for lane in lanes for m in lane.marks for t in (m.start, m.end)]
    low, high = min(ends), max(ends)
    pad = max(0.02 * (high - low), 12 * 3.6e6)
    of = Scale("date", low - pad, high + pad)
    tall = LANE_PX * len(lanes)
    out = [_grid(of, tall)]
    for order, lane in enumerate(lanes):
        middle = TOP + LANE_PX * (order + 0.5)
        out.append(f'<text class="yt" x="-7" y="{middle + 4:.1f}">{escape(lane.name)}</text>')
        out.append(f'<line class="gr" x2="100%" y1="{middle:.1f}" y2="{middle:.1f}"/>')
        out += [_mark(m, of, middle) for m in lane.marks]
    said = f"Dated strip with a lane each for {numbers.listing([lane.name for lane in lanes])}. Times in {zone}."
    return Markup(
        f'<div class="still"><div style="padding:0 14px 0 {LEFT}px"><svg class="board" width="100%" '
        f'height="{TOP + tall + FOOT}" role="group" aria-label="{escape(said)}">{"".join(out)}</svg></div></div>'
    )


def _grid(of: Scale, tall: float) -> str:
    out, foot = [], TOP + tall
    for order, (value, words) in enumerate(ticks(of, {}, ACROSS)):
        x = 100 * float(of.place(np.array([value]))[0])
        every = "" if order % 2 == 0 else " odd"
        out.append(f'<line class="gr" x1="{x:.2f}%" x2="{x:.2f}%" y1="{TOP}" y2="{foot}"/>')
        out.append(f'<text class="xt{every}" x="{x:.2f}%" y="{foot + 16}"{leaning(x)}>{escape(words)}</text>')
    return "".join(out) + f'<line class="ax" x2="100%" y1="{foot}" y2="{foot}"/>'


def _mark(m: Mark, of: Scale, middle: float) -> str:
    a, b = (100 * float(v) for v in of.place(np.array([m.start, m.end])))
    if m.path:
        shape = f'<svg x="{(a + b) / 2:.2f}%" y="{middle:.1f}" overflow="visible"><path d="{m.path}" fill="{m.color}">'
        shape += f"<title>{escape(numbers.visible(m.words))}</title></path></svg>"
    else:
        size = f'x="{a:.2f}%" width="{max(b - a, LEAST):.2f}%" y="{middle - 7:.1f}" height="14"'
        shape = f'<rect {size} fill="{m.color}">'
        shape += f"<title>{escape(numbers.visible(m.words))}</title></rect>"
    if not m.href:
        return shape
    return f'<a href="{escape(m.href)}" aria-label="{escape(numbers.visible(m.words))}">{shape}</a>'
