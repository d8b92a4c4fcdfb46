"""The lines that say what would change a history: what the data cannot tell apart, what was not judged, how near the
limits are, and how much of the time has no record."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.history.context import HistoryContext
from herdbook.pipeline.reports.history.lines.events import standing, title
from herdbook.pipeline.reports.history.statement import Statement, logs_between
from herdbook.pipeline.reports.words import names
from herdbook.pipeline.store.statements import Row

NEAR_SE = 2.0  # a measured value nearer to its limit than that could lie on the other side
NEAR_SHARE = 0.10


def lines(given: HistoryContext) -> Iterator[Statement]:
    for f in standing(given):
        if f["not_separable"]:
            said = f["not_separable"].rstrip(".")
            yield _about(given, f, "Another explanation", f"not told apart by the data: {said}.")
        if text := _near(f):
            yield _about(given, f, "Near its limit", text)
    if given.as_of is None:
        for subsystem, questions in _by_subsystem(given):
            text = f"About {subsystem}, too little is on record to look for: {'; '.join(questions)}."
            yield Statement("open", text, "not known", topic="Not judged")
    else:
        yield Statement(
            "open", "What could not be judged is not kept for a past date.", "not known", topic="Not judged"
        )
    yield from _uncovered(given)
    text = (
        "Any log from the missing times, a corrected clock, profile or bus description, and a reading on the bench "
        "that tells the named explanations apart. Each gives a new history beside this one; this one stays as it is."
    )
    yield Statement("open", text, "advice", topic="What would help")


def _about(given: HistoryContext, f: Row, topic: str, text: str) -> Statement:
    logs = logs_between(given.facts, f["first_t"], f["last_t"]) if f["first_t"] else ()
    return Statement(
        "open",
        f"{title(given, f)}: {text}",
        "computed",
        f["first_t"],
        f["last_t"],
        logs=logs,
        rule=f["rule"],
        rule_set=f["rule_set"] or "",
        topic=topic,
    )


def _near(f: Row) -> str:
    """A finding whose value lies close to its limit, in words; "" for others."""
    if f["limit"] is None or f["measured"] is None:
        return ""
    away, se = abs(f["measured"] - f["limit"]), f["se"]
    if se and away < NEAR_SE * se:
        return f"the measured value lies only {away / se:.1f} standard errors beyond its limit."
    if f["limit"] and away < NEAR_SHARE * abs(f["limit"]):
        return f"the measured value lies only {away / abs(f['limit']):.0%} beyond its limit."
    return ""


def _by_subsystem(given: HistoryContext) -> list[tuple[str, list[str]]]:
    grouped: dict[str, list[str]] = {}
    for row in given.facts.not_assessed:
        name = given.facts.rule_title(row["rule"])
        said = f"“{name[0].lower() + name[1:]}” ({names.reason(row['reason'])})"
        grouped.setdefault(row["subsystem"], []).append(said)
    return sorted(grouped.items())


def _uncovered(given: HistoryContext) -> Iterator[Statement]:
    span, without = uncovered(given.facts)
    if span > timedelta(0):
        text = f"{without / span:.0%} of the time between the first and the last record has no record at all."
        yield Statement(
            "open",
            text,
            "computed",
            given.facts.logs[0]["start_t"],
            max(g["end_t"] for g in given.facts.logs),
            value=round(without / span, 4),
            unit="1",
            logs=tuple(g["log"] for g in given.facts.logs),
            topic="Time without a record",
        )


def uncovered(facts: Facts) -> tuple[timedelta, timedelta]:
    """From the first to the last record, and how much of it no log covers."""
    if not facts.logs:
        return timedelta(0), timedelta(0)
    ordered = sorted(facts.logs, key=lambda g: g["start_t"])
    without, reached = timedelta(0), ordered[0]["start_t"]
    for log in ordered:
        without += max(timedelta(0), log["start_t"] - reached)
        reached = max(reached, log["end_t"])
    return reached - ordered[0]["start_t"], without
