"""The lines that hold a finding against the other vehicles of its type and against software; counts, no names."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from herdbook.pipeline.reports.facts import Row
from herdbook.pipeline.reports.history.context import Desk
from herdbook.pipeline.reports.history.lines.events import standing, title
from herdbook.pipeline.reports.history.statement import Line
from herdbook.pipeline.reports.words import names as plain
from herdbook.pipeline.reports.words import numbers as words

SECTION = "herd"  # lines that move with the fleet, not only with this vehicle


def lines(desk: Desk) -> Iterator[Line]:
    found = standing(desk)
    for f in found:
        yield _software(desk, f)
    if desk.herd is None:
        text = "How common its findings were among its type is not kept for a past date."
        yield Line(SECTION, text, "not known", topic="Among its type")
        return
    for f in found:
        yield _common(desk, desk.herd.rules.get(f["rule"], (0, 0, 0)), f)
        yield from _versions(desk, f)
    if found:
        text = (
            "Counts of few vehicles say little, and only vehicles that sent logs are counted. They do not tell "
            "whether software caused or contributed to anything."
        )
        yield Line(SECTION, text, "not known", topic="How far this goes")
    else:
        text = f"{words.plural(desk.herd.vehicles, 'vehicle')} of this type on record; no finding stands to compare."
        yield Line(SECTION, text, "computed", logs=_every(desk), topic="Among its type")


def _every(desk: Desk) -> tuple[str, ...]:
    return tuple(log["log"] for log in desk.facts.logs)


def _common(desk: Desk, counts: tuple[int, int, int], f: Row) -> Line:
    found, refused, vehicles = counts
    text = (
        f"{title(desk, f)}: the same was found on {found} of the {words.plural(vehicles - refused, 'vehicle')} of this "
        f"type that could be judged on it, this one included ({vehicles} on record)."
    )
    return Line(
        SECTION,
        text,
        "computed",
        logs=_every(desk),
        rule=f["rule"],
        rule_set=f["rule_set"] or "",
        topic="Among its type",
    )


def _versions(desk: Desk, f: Row) -> Iterator[Line]:
    """How the finding spreads over firmware versions, where the type runs more than one."""
    assert desk.herd is not None
    by: dict[str, list[Row]] = {}
    for row in desk.herd.versions.get(f["rule"], []):
        by.setdefault(row["component"], []).append(row)
    for component, rows in by.items():
        if len(rows) > 1:
            said = "; ".join(f"version {r['version']}: {r['found']} of {r['vehicles']}" for r in rows)
            text = f"{title(desk, f)}, by newest {plain.component(component).lower()}: {said} vehicles."
            yield Line(
                SECTION,
                text,
                "computed",
                logs=_every(desk),
                rule=f["rule"],
                rule_set=f["rule_set"] or "",
                topic="By software",
            )


def _software(desk: Desk, f: Row) -> Line:
    """Which firmware ran when a finding was first recorded, and whether it had changed before."""
    facts, reader = desk.facts, desk.reader
    first: datetime | None = f["first_t"]
    name = title(desk, f)
    runs = [r for r in facts.installs if r["component"].endswith("firmware")]
    if first is None or not runs:
        text = f"{name}: which firmware ran when it was first recorded is not known."
        return Line(SECTION, text, "not known", topic="Software then")
    spans = [(g["start_t"], g["end_t"]) for g in facts.logs if g["start_t"] <= first <= g["end_t"]] or [(first, first)]
    then = [r for r in runs if any(r["from_t"] <= b and r["to_t"] >= a for a, b in spans)]
    said = words.listing([f"{plain.component(r['component']).lower()} {r['serial']}" for r in then])
    changed = [
        r
        for r in runs
        if r["from_t"] <= first and any(o["component"] == r["component"] and o["to_t"] < r["from_t"] for o in runs)
    ]
    text = f"{name}: first recorded on {reader.day(first)}" + (f" with {said}." if said else ".")
    if changed:
        last = max(changed, key=lambda r: r["from_t"])
        days = (first - last["from_t"]).days
        text += f" The newest change before it: {plain.component(last['component']).lower()} {last['serial']}, seen "
        text += f"{words.plural(days, 'day')} earlier for the first time."
    else:
        text += " No change of firmware before that is on record."
    return Line(
        SECTION,
        text,
        "recorded",
        first,
        first,
        logs=_every(desk),
        rule=f["rule"],
        rule_set=f["rule_set"] or "",
        topic="Software then",
    )
