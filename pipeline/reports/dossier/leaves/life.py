"""The life of the unit on one time axis: sessions, findings, parts and versions, and where the record is silent."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.book.entry import Kind
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.reports.drawing.book_strip import book_strip
from herdbook.pipeline.reports.drawing.readings import life_axis
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable, Strip
from herdbook.pipeline.reports.page.figure import LINES, PageFigure, Spec, axis, label, layout, local_ms, packed
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.times import micros

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 70  # place in the dossier
KINDS = ("ride", "charge", "rest", "bench")
HATCH = {"ride": "", "charge": "/", "rest": ".", "bench": "x"}  # the pattern says what the colour says


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    blocks: list[Block] = []
    if strip := _strip(facts):
        blocks.append(strip)
    if facts.sessions:
        blocks.append(Drawn(_figure(facts)))
    else:
        blocks.append(Note("No session is on record.", "absent"))
    if facts.findings:
        blocks += _order(facts)
    if facts.installs:
        blocks.append(_installs(facts))
    if facts.changes:
        blocks.append(_changes(facts))
    lead = "What is on record, in order of time. White space is time without a record: not proof of standstill."
    return Leaf("life", "Timeline", lead, blocks)


def _strip(facts: Facts) -> Strip | None:
    """What people entered beside findings and sessions; None where nothing is entered."""
    sessions = {
        kind: [(s["start_t"], s["end_t"]) for s in facts.sessions if s["kind"] == kind]
        for kind in KINDS
        if any(s["kind"] == kind for s in facts.sessions)
    }
    svg = book_strip(facts, sessions, lambda _: "#book", lambda finding: f"#f-{finding[:12]}")
    note = f"Times in {facts.zone_name}. A mark of an entry leads to the service book, one of a finding to its place."
    return Strip("life-book", "Service book, findings and sessions", note, svg) if svg else None


def _figure(facts: Facts) -> PageFigure:
    data = [*_sessions(facts), *_installs_drawn(facts), *_findings_drawn(facts)]
    lanes = list(dict.fromkeys(lane for trace in data for lane in trace["y"]))
    height = 150 + 34 * len(lanes)
    y = axis("", categoryorder="array", categoryarray=lanes[::-1], type="category", automargin=True)
    x = life_axis(facts)
    spec = {"data": data, "layout": layout(height, barmode="overlay", bargap=0.35, xaxis=x, yaxis=y)}
    rides = sum(s["kind"] == "ride" for s in facts.sessions)
    alt = (
        f"Timeline with a lane each for {numbers.listing([str(lane) for lane in lanes])}; "
        f"{numbers.plural(len(facts.sessions), 'session')}, of them {numbers.plural(rides, 'ride')}."
    )
    return PageFigure("life-line", "The record of this unit", alt, spec, _note(facts), sync="life", height=height)


def _note(facts: Facts) -> str:
    return f"n = {numbers.plural(len(facts.sessions), 'session')}. Bars shorter than a pixel are drawn a pixel wide."


def _bars(
    lane: str, spans: list[tuple[int, int]], facts: Facts, *, texts: list[str], color: str, hatch: str = ""
) -> Spec:
    """Horizontal bars from start to end (microseconds UTC) in one lane."""
    start = local_ms(np.array([a for a, _ in spans], np.int64), facts.zone)
    lasts = np.array([max(1, b - a) for a, b in spans]) / 1000.0
    return {
        "type": "bar",
        "orientation": "h",
        "name": label(lane),
        "y": [label(lane)] * len(spans),
        "base": packed(start),
        "x": packed(lasts),
        "marker": {"color": color, "pattern": {"shape": hatch}, "line": {"color": color, "width": 1}},
        "hovertext": [label(text) for text in texts],
        "hoverinfo": "text",
        "showlegend": False,
    }


def _sessions(facts: Facts) -> Iterator[Spec]:
    for order, kind in enumerate(KINDS):
        chosen = [s for s in facts.sessions if s["kind"] == kind]
        if chosen:
            spans = [(micros(s["start_t"]), micros(s["end_t"])) for s in chosen]
            texts = [
                f"{kind}, {numbers.span(s['start_t'], s['end_t'], facts.zone)}, {s['coverage']:.0%} covered"
                for s in chosen
            ]
            yield _bars(kind, spans, facts, texts=texts, color=LINES[order], hatch=HATCH[kind])


def _installs_drawn(facts: Facts) -> Iterator[Spec]:
    for component in dict.fromkeys(row["component"] for row in facts.installs):
        chosen = [row for row in facts.installs if row["component"] == component]
        for order, row in enumerate(chosen):
            span = (micros(row["from_t"]), micros(row["to_t"]))
            text = (
                f"{component.replace('_', ' ')} {row['serial']}, {numbers.span(row['from_t'], row['to_t'], facts.zone)}"
            )
            hatch = ("", "\\")[order % 2]
            yield _bars(
                component.replace("_", " "), [span], facts, texts=[text], color=LINES[(order + 2) % 6], hatch=hatch
            )


def _findings_drawn(facts: Facts) -> Iterator[Spec]:
    tokens = {"stop-use": "@stop", "service": "@service", "note": "@note"}
    for severity in reversed(Severity):
        chosen = facts.graves(severity)
        if chosen:
            spans = [(micros(f["first_t"]), micros(f["last_t"])) for f in chosen]
            texts = [f"{f['title']} {f['item']}, {numbers.span(f['first_t'], f['last_t'], facts.zone)}" for f in chosen]
            lane = f"{numbers.SEVERITY_WORD[severity].lower()} findings"
            yield _bars(lane, spans, facts, texts=texts, color=tokens[severity])


def _order(facts: Facts) -> list[Block]:
    """What came first: findings by their first evidence, with changes of parts and versions between them."""
    last = facts.about["last_t"] or max(f["last_t"] for f in facts.findings)
    rows = [
        (f["first_t"], f"{f['title']} {f['item']}".strip(), numbers.SEVERITY_WORD[f["severity"]])
        for f in facts.findings
    ]
    rows += [
        (r["from_t"], f"{names.component(r['component'])} {r['serial']} seen for the first time", "Change")
        for r in facts.installs
        if any(o["component"] == r["component"] and o["to_t"] < r["from_t"] for o in facts.installs)
    ]
    said = [e for e in facts.book if e.holds and e.kind == Kind.COMPLAINT]
    rows += [(e.from_t, f"“{e.said}”", "Complaint") for e in said]
    days = {e.from_t: e.when for e in said}
    body = [
        (
            days[t] if kind == "Complaint" else numbers.moment(t, facts.zone, False),
            what,
            kind,
            numbers.duration(max(0.0, (last - t).total_seconds())),
        )
        for t, what, kind in sorted(rows)
    ]
    head = ("First evidence", "What", "Kind", "Before the newest record")
    note = (
        "First evidence: the earliest of the windows kept, ten of the worst at most, so an effect may be older than "
        "that; the figures over time show its growth."
    )
    note += "" if said else " No complaint is entered."
    return [PageTable("What came first", head, body, frozenset({3})), Note(note)]


def _installs(facts: Facts) -> PageTable:
    body = [
        (
            names.component(r["component"]),
            r["serial"],
            numbers.moment(r["from_t"], facts.zone, False),
            numbers.moment(r["to_t"], facts.zone, False),
            names.told_by(r["known_by"]),
        )
        for r in facts.installs
    ]
    return PageTable(
        "Parts and versions seen", ("Component", "Serial or version", "First seen", "Last seen", "Told by"), body
    )


def _changes(facts: Facts) -> PageTable:
    def row(c: Row) -> tuple[str, ...]:
        before = f", before {c['severity_before']}" if c["severity_before"] else ""
        return (
            numbers.moment(c["started_t"], facts.zone, False),
            numbers.CHANGE_WORD.get(c["change"], str(c["change"])),
            c["severity"] + before,
            f"{facts.rule_title(c['rule'])} {c['item']}".strip(),
            names.statement(c["statement"]) + ".",
        )

    body = [row(c) for c in reversed(facts.changes)][:60]
    return PageTable(
        "What scans changed, newest first", ("Scan of", "Change", "Severity", "Finding", "Statement"), body
    )
