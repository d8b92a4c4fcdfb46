"""The first page of a history: what a reader who reads nothing else must know, from the lines that follow it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import polars as pl

from herdbook.pipeline.reports.facts import Row
from herdbook.pipeline.reports.history.context import Desk
from herdbook.pipeline.reports.history.lines.advice import escalation, looked
from herdbook.pipeline.reports.history.lines.events import first_told, kilometres, standing, title
from herdbook.pipeline.reports.history.lines.open_questions import uncovered
from herdbook.pipeline.reports.history.statement import Line
from herdbook.pipeline.reports.words import numbers as words

MOST_TOLD = 3
AMONG = "Among its type"


def lines(desk: Desk, made: list[Line]) -> Iterator[Line]:
    """made: all the lines of the other sections."""
    every = tuple(log["log"] for log in desk.facts.logs)

    def line(topic: str, text: str, basis: str = "computed", logs: tuple[str, ...] = every) -> Line:
        return Line("short", text, basis if logs or basis != "computed" else "not known", logs=logs, topic=topic)

    yield line("The vehicle", _vehicle(desk), "recorded" if every else "not known")
    yield line("Its use", _use(desk))
    gravest = standing(desk)[0]["severity"] if standing(desk) else ""
    yield replace(line("Out of the ordinary", _found(desk)), severity=gravest)
    yield line("Safety", escalation(desk).text, "advice", ())
    if told := _after(desk):
        yield line("Used after the warning", told)
    yield line("Capacity of the pack", _of(made, "capacity", ("Capacity", "Under 80 %?")))
    yield line("Parts and software", _parts(desk))
    if common := _common(desk):
        yield line(AMONG, common)
    yield line("What is missing", _missing(desk))
    yield line("What would change this", _change(desk, made), "not known", ())
    text = "Causes, fault, warranty and what happens next; this file says what was recorded and what was not."
    yield line("Decided by people", text, "advice", ())
    who = looked(desk)
    yield line("Who looked", who.text, who.basis, ())


def _vehicle(desk: Desk) -> str:
    about, logs = desk.facts.about, desk.facts.logs
    text = f"{desk.facts.vehicle}, of the type {desk.type_name}"
    text += f", batch {about['batch']}" if about["batch"] else ""
    text += f". Built {words.day(about['built'])}, in service since {words.day(about['in_service'])}, as stated."
    if logs:
        first, last = desk.reader.day(logs[0]["start_t"]), desk.reader.day(max(g["end_t"] for g in logs))
        return text + f" {words.plural(len(logs), 'log')} from {first} to {last}."
    return text + " No log is on record."


def _use(desk: Desk) -> str:
    sessions = desk.facts.sessions
    rides = [s for s in sessions if s["kind"] == "ride"]
    charges = sum(s["kind"] == "charge" for s in sessions)
    text = f"{words.plural(len(rides), 'ride')}, {desk.reader.far(kilometres(desk.facts, rides)[0])}, and "
    text += f"{words.plural(charges, 'charge')} on record"
    starts = [s["start_t"] for s in sessions]
    seen = desk.facts.metrics.filter(pl.col("name") == "odometer_end_km", pl.col("start_t").is_in(starts))
    if seen.height:
        row = seen.sort("start_t").row(-1, named=True)
        text += f"; the distance counter read {desk.reader.counter(row['value'])} on {desk.reader.day(row['start_t'])}"
    return text + ". Use without a record is not in these figures."


def _found(desk: Desk) -> str:
    found = standing(desk)
    if not found:
        return "Nothing was found in the data available; that is no evidence of good condition."
    said = [f"{title(desk, f)} ({words.SEVERITY_WORD[f['severity']].lower()}; {_dates(desk, f)})" for f in found]
    rest = len(said) - MOST_TOLD
    more = f"; and {words.plural(rest, 'finding')} more below" if rest > 0 else ""
    return "; ".join(said[:MOST_TOLD]) + more + "."


def _dates(desk: Desk, f: Row) -> str:
    first, last = desk.reader.day(f["first_t"]), desk.reader.day(f["last_t"])
    return first if first == last else f"{first} to {last}"


def _after(desk: Desk) -> str:
    """Rides after the earliest scan that told of a finding that is more than a note."""
    times = [
        (told, f)
        for f in standing(desk)
        if f["severity"] != "note"
        for told in [first_told(desk.facts, f["rule"], f["item"])]
        if told
    ]
    if not times:
        return ""
    told = min(t for t, _ in times)
    later = [s for s in desk.facts.sessions if s["kind"] == "ride" and s["start_t"] > told]
    day = words.moment(told, desk.reader.zone, False)
    if not later:
        return f"A scan first told of a finding on {day}; no ride on record is later. Who read it is not recorded."
    km = desk.reader.far(kilometres(desk.facts, later)[0])
    rides = words.plural(len(later), "ride")
    verb = "is" if len(later) == 1 else "are"
    text = f"A scan first told of a finding on {day}; {rides}, {km} in all, {verb} on record after that."
    return text + " Who read it is not recorded."


def _of(made: list[Line], section: str, topics: tuple[str, ...]) -> str:
    return " ".join(line.text for line in made if line.section == section and line.topic in topics)


def _common(desk: Desk) -> str:
    """How many vehicles of the type have the same findings; "" when there is nothing to compare."""
    if desk.herd is None or not standing(desk):
        return ""
    counts = [(title(desk, f), desk.herd.rules.get(f["rule"], (0, 0, 0))) for f in standing(desk)[:MOST_TOLD]]
    said = "; ".join(f"{name}: {found} of {vehicles - refused}" for name, (found, refused, vehicles) in counts)
    return f"{said}, of the vehicles of this type that could be judged on it, this one included."


def _parts(desk: Desk) -> str:
    by: dict[str, list[str]] = {}
    for row in desk.facts.installs:
        by.setdefault(row["component"], []).append(row["serial"])
    changed = [f"{name.replace('_', ' ')} ({' then '.join(s)})" for name, s in by.items() if len(s) > 1]
    if not by:
        return "Which parts and versions it had is not on record."
    text = f"Changed on record: {words.listing(changed)}." if changed else "No change of these is on record."
    return text + " Repairs and campaigns are not recorded here."


def _missing(desk: Desk) -> str:
    span, without = uncovered(desk.facts)
    text = f"{without / span:.0%} of the time from the first to the last record has none. " if span else ""
    partial = sum(g["status"] != "whole" for g in desk.facts.logs)
    logs = words.plural(len(desk.facts.logs), "log")
    text += f"{partial} of {logs} incomplete. " if partial else f"No log of {len(desk.facts.logs)} is incomplete. "
    if desk.as_of is not None:
        return text + "What could not be judged is not kept for a past date."
    return text + f"{words.plural(len(desk.facts.not_assessed), 'question')} could not be judged for want of data."


def _change(desk: Desk, made: list[Line]) -> str:
    other = sum(line.section == "open" and line.topic == "Another explanation" for line in made)
    near = sum(line.section == "open" and line.topic == "Near its limit" for line in made)
    said = [words.plural(other, "finding") + " with another explanation left open"] if other else []
    said += [words.plural(near, "finding") + " close to its limit"] if near else []
    said += ["the times without a record", "the questions not judged"]
    return f"{words.listing(said)}; see below.".capitalize()
