"""The first page of a history: what a reader who reads nothing else must know, from the lines that follow it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import polars as pl

from herdbook.pipeline.book.entry import Kind
from herdbook.pipeline.reports.history.context import HistoryContext
from herdbook.pipeline.reports.history.lines.advice import escalation, looked
from herdbook.pipeline.reports.history.lines.events import first_told, kilometres, standing, title
from herdbook.pipeline.reports.history.lines.open_questions import uncovered
from herdbook.pipeline.reports.history.statement import SECTIONS, Statement
from herdbook.pipeline.reports.rule_counts import RuleCounts
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row

MOST_TOLD = 3
AMONG = "Among its type"
WORK = (Kind.REPAIR, Kind.FITTED, Kind.REMOVED, Kind.CAMPAIGN, Kind.FIRMWARE)


def lines(given: HistoryContext, made: list[Statement]) -> Iterator[Statement]:
    """made: all the lines of the other sections."""
    every = tuple(log["log"] for log in given.facts.logs)

    def line(topic: str, text: str, basis: str = "computed", logs: tuple[str, ...] = every) -> Statement:
        return Statement("short", text, basis if logs or basis != "computed" else "not known", logs=logs, topic=topic)

    yield line("The vehicle", _vehicle(given), "recorded" if every else "not known")
    yield line("Its use", _use(given))
    gravest = standing(given)[0]["severity"] if standing(given) else ""
    yield replace(line("Out of the ordinary", _found(given)), severity=gravest)
    yield line("Safety", escalation(given).text, "advice", ())
    if told := _after(given):
        yield line("Used after the warning", told)
    yield line("Capacity of the pack", _of(made, "capacity", ("Capacity", "Under 80 %?")))
    yield line("Parts and software", _parts(given))
    if common := _common(given):
        yield line(AMONG, common)
    yield line("What is missing", _missing(given))
    yield line("What would change this", _change(given, made), "not known", ())
    text = "Causes, fault, warranty and what happens next; this file says what was recorded and what was not."
    yield line("Decided by people", text, "advice", ())
    who = looked(given)
    yield line("Who looked", who.text, who.basis, ())


def _vehicle(given: HistoryContext) -> str:
    about, logs = given.facts.about, given.facts.logs
    text = f"{given.facts.vehicle}, of the type {given.type_name}"
    text += f", batch {about['batch']}" if about["batch"] else ""
    text += f". Built {numbers.day(about['built'])}, in service since {numbers.day(about['in_service'])}, as stated."
    if logs:
        first, last = given.reader.day(logs[0]["start_t"]), given.reader.day(max(g["end_t"] for g in logs))
        return text + f" {numbers.plural(len(logs), 'log')} from {first} to {last}."
    return text + " No log is on record."


def _use(given: HistoryContext) -> str:
    sessions = given.facts.sessions
    rides = [s for s in sessions if s["kind"] == "ride"]
    charges = sum(s["kind"] == "charge" for s in sessions)
    text = f"{numbers.plural(len(rides), 'ride')}, {given.reader.far(kilometres(given.facts, rides)[0])}, and "
    text += f"{numbers.plural(charges, 'charge')} on record"
    starts = [s["start_t"] for s in sessions]
    seen = given.facts.metrics.filter(pl.col("name") == "odometer_end_km", pl.col("start_t").is_in(starts))
    if seen.height:
        row = seen.sort("start_t").row(-1, named=True)
        text += (
            f"; the distance counter read {given.reader.counter(row['value'])} on {given.reader.day(row['start_t'])}"
        )
    return text + ". Use without a record is not in these figures."


def _found(given: HistoryContext) -> str:
    found = standing(given)
    if not found:
        return "Nothing was found in the data available; that is no evidence of good condition."
    said = [f"{title(given, f)} ({numbers.SEVERITY_WORD[f['severity']].lower()}; {_dates(given, f)})" for f in found]
    rest = len(said) - MOST_TOLD
    more = f"; and {numbers.plural(rest, 'finding')} more below" if rest > 0 else ""
    return "; ".join(said[:MOST_TOLD]) + more + "."


def _dates(given: HistoryContext, f: Row) -> str:
    first, last = given.reader.day(f["first_t"]), given.reader.day(f["last_t"])
    return first if first == last else f"{first} to {last}"


def _after(given: HistoryContext) -> str:
    """Rides after the earliest scan that told of a finding that is more than a note."""
    times = [
        (told, f)
        for f in standing(given)
        if f["severity"] != "note"
        for told in [first_told(given.facts, f["rule"], f["item"])]
        if told
    ]
    if not times:
        return ""
    told = min(t for t, _ in times)
    later = [s for s in given.facts.sessions if s["kind"] == "ride" and s["start_t"] > told]
    day = numbers.moment(told, given.reader.zone, False)
    if not later:
        return f"A scan first told of a finding on {day}; no ride on record is later. {_read(given)}"
    km = given.reader.far(kilometres(given.facts, later)[0])
    rides = numbers.plural(len(later), "ride")
    verb = "is" if len(later) == 1 else "are"
    text = f"A scan first told of a finding on {day}; {rides}, {km} in all, {verb} on record after that."
    return f"{text} {_read(given)}"


def _read(given: HistoryContext) -> str:
    if any(e.holds and e.kind == Kind.ACKNOWLEDGED for e in given.facts.book):
        return f"Who acknowledged a finding stands under “{SECTIONS['book']}”."
    return "Who read it is not recorded."


def _of(made: list[Statement], section: str, topics: tuple[str, ...]) -> str:
    return " ".join(line.text for line in made if line.section == section and line.topic in topics)


def _common(given: HistoryContext) -> str:
    """How many vehicles of the type have the same findings; "" when there is nothing to compare."""
    if given.herd is None or not standing(given):
        return ""
    counts = [(title(given, f), given.herd.rules.get(f["rule"], RuleCounts())) for f in standing(given)[:MOST_TOLD]]
    said = "; ".join(f"{name}: {c.found} of {c.judged}" for name, c in counts)
    return f"{said}, of the vehicles of this type that could be judged on it, this one included."


def _parts(given: HistoryContext) -> str:
    by: dict[str, list[str]] = {}
    for row in given.facts.installs:
        by.setdefault(row["component"], []).append(row["serial"])
    changed = [f"{name.replace('_', ' ')} ({' then '.join(s)})" for name, s in by.items() if len(s) > 1]
    text = f"Changed on record: {numbers.listing(changed)}." if changed else "No change of these is on record."
    text = text if by else "Which parts and versions it had is not on record."
    entered = sum(e.holds and e.kind in WORK for e in given.facts.book)
    if not entered:
        return text + " No repair, part or campaign is entered in the service book."
    said = numbers.plural(entered, "entry", "entries")
    return text + f" The service book has {said} of repairs, parts and campaigns, under “{SECTIONS['book']}”."


def _missing(given: HistoryContext) -> str:
    span, without = uncovered(given.facts)
    text = f"{without / span:.0%} of the time from the first to the last record has none. " if span else ""
    partial = sum(g["status"] != "whole" for g in given.facts.logs)
    logs = numbers.plural(len(given.facts.logs), "log")
    text += f"{partial} of {logs} incomplete. " if partial else f"No log of {len(given.facts.logs)} is incomplete. "
    if given.as_of is not None:
        return text + "What could not be judged is not kept for a past date."
    return text + f"{numbers.plural(len(given.facts.not_assessed), 'question')} could not be judged for want of data."


def _change(given: HistoryContext, made: list[Statement]) -> str:
    other = sum(line.section == "open" and line.topic == "Another explanation" for line in made)
    near = sum(line.section == "open" and line.topic == "Near its limit" for line in made)
    said = [numbers.plural(other, "finding") + " with another explanation left open"] if other else []
    said += [numbers.plural(near, "finding") + " close to its limit"] if near else []
    said += ["the times without a record", "the questions not judged"]
    return f"{numbers.listing(said)}; see below.".capitalize()
