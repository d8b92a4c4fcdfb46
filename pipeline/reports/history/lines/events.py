"""The lines about findings: what was recorded out of the ordinary, and what was ridden after a scan had told of it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from herdbook.pipeline.health.severity import rank
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.history.context import HistoryContext
from herdbook.pipeline.reports.history.statement import Statement, logs_between
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.store.statements import Row

UNREAD = (
    "Whether anybody read what a scan told, and what was ridden without a record, is not in the data. A scan tells of "
    "a finding when the logs reach it, which may be long after the ride."
)


def lines(given: HistoryContext) -> Iterator[Statement]:
    """Findings as statements of what was recorded, each with what was ridden after it was told."""
    facts, found = given.facts, standing(given)
    told = False
    for f in found:
        yield _event(given, f)
        if f["severity"] != "note":
            yield after(given, f)
            told = True
    yield from _gone(given)
    if told:
        yield Statement("events", UNREAD, "not known", topic="Who knew")
    if given.as_of is not None and found:
        text = "As of a past date, figures of a finding are those of the last scan until then that told a change of it."
        yield Statement("events", text, "computed", logs=_every(facts), topic="How this was known")
    if not found:
        text = "Nothing out of the ordinary was found in the data available."
        yield Statement("events", text, "computed", logs=_every(facts))


def _gone(given: HistoryContext) -> Iterator[Statement]:
    """What scans told of earlier and no longer find."""
    last: dict[tuple[str, str], Row] = {}
    began: dict[tuple[str, str], datetime] = {}
    for change in given.facts.changes:
        key = change["rule"], change["item"]
        began.setdefault(key, change["started_t"])
        last[key] = change
    for key, change in last.items():
        if change["change"] == "gone":
            start, end = began[key], change["started_t"]
            text = f"Told by a scan on {given.reader.day(start)}, not by scans since {given.reader.day(end)}: "
            text += names.statement(change["statement"]) + "."
            yield Statement(
                "events",
                text,
                "computed",
                start,
                end,
                logs=_every(given.facts),
                rule=key[0],
                rule_set=change["rule_set"] or "",
                topic=f"{title(given, change)} (earlier)",
            )


def _every(facts: Facts) -> tuple[str, ...]:
    return tuple(log["log"] for log in facts.logs)


def standing(given: HistoryContext) -> list[Row]:
    """The findings in force at the time asked for, the gravest first."""
    return given.facts.findings if given.as_of is None else known_then(given.facts)


def title(given: HistoryContext, f: Row) -> str:
    """A finding's name with what it is about."""
    name = f.get("title") or given.facts.rule_title(f["rule"])
    return f"{name}, {f['item']}" if f["item"] else name


def _event(given: HistoryContext, f: Row) -> Statement:
    return Statement(
        "events",
        _text(given, f),
        "computed",
        start=f["first_t"],
        end=f["last_t"],
        severity=f["severity"],
        value=f["measured"],
        unit=f["unit"] or "",
        se=f["se"],
        logs=_logs(given.facts, f),
        rule=f["rule"],
        rule_set=f["rule_set"] or "",
        topic=title(given, f),
    )


def _text(given: HistoryContext, f: Row) -> str:
    text: str = f["statement"].rstrip().rstrip(".") + "."
    if not f["count"]:
        return text + " How often, for how long and with what error was not kept then."
    seen = f" Recorded {numbers.plural(f['count'], 'time')}"
    seen += f", {numbers.duration(f['duration_s'])} in all" if f["duration_s"] else ""
    first, last = given.reader.day(f["first_t"]), given.reader.day(f["last_t"])
    text += seen + (f", on {first}." if first == last else f", between {first} and {last}.")
    text += f" Measured {numbers.amount(f['measured'], f['unit'], f['se'])};"
    return text + f" limit in force {numbers.amount(f['limit'], f['unit'])}."


def _logs(facts: Facts, f: Row) -> tuple[str, ...]:
    found = [log for w in f.get("windows") or [] for log in logs_between(facts, w["start_t"], w["end_t"])]
    if not found and f["first_t"]:
        found = list(logs_between(facts, f["first_t"], f["last_t"]))
    return tuple(dict.fromkeys(found))


def first_told(facts: Facts, rule: str, item: str) -> datetime | None:
    """When the scan ended that told of the finding as new, since it last was gone; None when no scan told of it."""
    since: datetime | None = None
    for change in facts.changes:
        if (change["rule"], change["item"]) == (rule, item):
            if change["change"] == "gone":
                since = None
            elif since is None:
                since = change["ended_t"] or change["started_t"]
    return since


def after(given: HistoryContext, f: Row) -> Statement:
    """Rides, kilometres (and for stop-use charges) on record after the scan that first told of a finding."""
    facts, reader = given.facts, given.reader
    topic = "Used after it was told"
    told = first_told(facts, f["rule"], f["item"])
    if told is None:
        return Statement(
            "events",
            "No scan on record told of it as new.",
            "not known",
            topic=topic,
            rule=f["rule"],
            rule_set=f["rule_set"] or "",
        )
    rides = [s for s in facts.sessions if s["kind"] == "ride"]
    later = [s for s in rides if s["start_t"] > told]
    text = f"A scan first told of it on {numbers.moment(told, reader.zone, False)}. "
    if later:
        text += f"After that {_ridden(given, later)} on record, the last on {reader.day(later[-1]['start_t'])}."
    else:
        text += "No ride on record is later."
    charges = [s for s in facts.sessions if s["kind"] == "charge" and s["start_t"] > told]
    if f["severity"] == "stop-use" and charges:
        text += f" {numbers.plural(len(charges), 'charge')} followed as well."
    between = [s for s in rides if f["first_t"] and f["last_t"] and f["first_t"] < s["start_t"] <= told]
    if between:
        text += f" Between its first evidence and that scan: {_ridden(given, between, '')}."
    used = [*later, *charges, *between] or facts.sessions[-1:]
    km = round(reader.distance(kilometres(facts, later)[0]), 6)
    return Statement(
        "events",
        text,
        "computed",
        told,
        max([s["end_t"] for s in later], default=told),
        value=km,
        unit=reader.units,
        logs=tuple(dict.fromkeys(g for s in used for g in s["logs"])),
        rule=f["rule"],
        rule_set=f["rule_set"] or "",
        topic=topic,
    )


def _ridden(given: HistoryContext, rides: list[Row], verb: str = "are") -> str:
    km, unknown = kilometres(given.facts, rides)
    text = numbers.plural(len(rides), "ride") + f", {given.reader.far(km)} in all"
    text += f" ({unknown} of them of unknown length)" if unknown else ""
    verb = "is" if verb and len(rides) == 1 else verb
    return f"{text}, {verb}" if verb else text


def kilometres(facts: Facts, rides: list[Row]) -> tuple[float, int]:
    """Distance of these rides and how many have none on record."""
    import polars as pl

    of = facts.metrics.filter(pl.col("name") == "distance_km") if facts.metrics.height else facts.metrics
    by_start = dict(of.select("start_t", "value").iter_rows()) if of.height else {}
    known = [by_start[s["start_t"]] for s in rides if s["start_t"] in by_start]
    return float(sum(known)), len(rides) - len(known)


def known_then(facts: Facts) -> list[Row]:
    """The findings that stood after the last scan in facts.changes, rebuilt from the log of changes.

    first_t and last_t are those of the evidence where the change kept them, else the scans that first and last told
    of it.
    """
    standing: dict[tuple[str, str], Row] = {}
    for change in facts.changes:
        key = (change["rule"], change["item"])
        if change["change"] == "gone":
            standing.pop(key, None)
            continue
        scan = change["started_t"]
        first = standing[key]["told_first_t"] if key in standing else scan
        standing[key] = change | {
            "told_first_t": first,
            "subsystem": facts.subsystems.get(change["rule"], ""),
            "first_t": change["first_t"] or first,
            "last_t": change["last_t"] or scan,
        }
    return sorted(standing.values(), key=lambda row: (-rank(row["severity"]), row["rule"], row["item"]))
