"""The lines that hold a finding against the other vehicles of its type and against software; counts, no names."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from herdbook.pipeline.reports.history.context import HistoryContext
from herdbook.pipeline.reports.history.lines.events import standing, title
from herdbook.pipeline.reports.history.statement import Statement
from herdbook.pipeline.reports.rule_counts import RuleCounts
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.store.statements import Row

SECTION = "herd"  # lines that move with the fleet, not only with this vehicle


def lines(given: HistoryContext) -> Iterator[Statement]:
    found = standing(given)
    for f in found:
        yield _software(given, f)
    if given.herd is None:
        text = "How common its findings were among its type is not kept for a past date."
        yield Statement(SECTION, text, "not known", topic="Among its type")
        return
    for f in found:
        yield _common(given, given.herd.rules.get(f["rule"], RuleCounts()), f)
        yield from _versions(given, f)
    if found:
        text = (
            "Counts of few vehicles say little, and only vehicles that sent logs are counted. They do not tell "
            "whether software caused or contributed to anything."
        )
        yield Statement(SECTION, text, "not known", topic="How far this goes")
    else:
        text = f"{numbers.plural(given.herd.vehicles, 'vehicle')} of this type on record; no finding stands to compare."
        yield Statement(SECTION, text, "computed", logs=_every(given), topic="Among its type")


def _every(given: HistoryContext) -> tuple[str, ...]:
    return tuple(log["log"] for log in given.facts.logs)


def _common(given: HistoryContext, counts: RuleCounts, f: Row) -> Statement:
    text = (
        f"{title(given, f)}: the same was found on {counts.found} of the {numbers.plural(counts.judged, 'vehicle')} of "
        f"this type that could be judged on it, this one included ({counts.vehicles} on record)."
    )
    return Statement(
        SECTION,
        text,
        "computed",
        logs=_every(given),
        rule=f["rule"],
        rule_set=f["rule_set"] or "",
        topic="Among its type",
    )


def _versions(given: HistoryContext, f: Row) -> Iterator[Statement]:
    """How the finding spreads over firmware versions, where the type runs more than one."""
    assert given.herd is not None
    by: dict[str, list[Row]] = {}
    for row in given.herd.versions.get(f["rule"], []):
        by.setdefault(row["component"], []).append(row)
    for component, rows in by.items():
        if len(rows) > 1:
            said = "; ".join(f"version {r['version']}: {r['found']} of {r['vehicles']}" for r in rows)
            text = f"{title(given, f)}, by newest {names.component(component).lower()}: {said} vehicles."
            yield Statement(
                SECTION,
                text,
                "computed",
                logs=_every(given),
                rule=f["rule"],
                rule_set=f["rule_set"] or "",
                topic="By software",
            )


def _software(given: HistoryContext, f: Row) -> Statement:
    """Which firmware ran when a finding was first recorded, and whether it had changed before."""
    facts, reader = given.facts, given.reader
    first: datetime | None = f["first_t"]
    name = title(given, f)
    runs = [r for r in facts.installs if r["component"].endswith("firmware")]
    if first is None or not runs:
        text = f"{name}: which firmware ran when it was first recorded is not known."
        return Statement(SECTION, text, "not known", topic="Software then")
    spans = [(g["start_t"], g["end_t"]) for g in facts.logs if g["start_t"] <= first <= g["end_t"]] or [(first, first)]
    then = [r for r in runs if any(r["from_t"] <= b and r["to_t"] >= a for a, b in spans)]
    said = numbers.listing([f"{names.component(r['component']).lower()} {r['serial']}" for r in then])
    changed = [
        r
        for r in runs
        if r["from_t"] <= first and any(o["component"] == r["component"] and o["to_t"] < r["from_t"] for o in runs)
    ]
    text = f"{name}: first recorded on {reader.day(first)}" + (f" with {said}." if said else ".")
    if changed:
        last = max(changed, key=lambda r: r["from_t"])
        days = (first - last["from_t"]).days
        text += f" The newest change before it: {names.component(last['component']).lower()} {last['serial']}, seen "
        text += f"{numbers.plural(days, 'day')} earlier for the first time."
    else:
        text += " No change of firmware before that is on record."
    return Statement(
        SECTION,
        text,
        "recorded",
        first,
        first,
        logs=_every(given),
        rule=f["rule"],
        rule_set=f["rule_set"] or "",
        topic="Software then",
    )
