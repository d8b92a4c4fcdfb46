"""A limit tried on the past, told on the terminal and as plain data."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from herdbook.pipeline.commands.terminal import screen
from herdbook.pipeline.herd.limits_tried import Count, First, Tried, TriedFinding
from herdbook.pipeline.reports.words import numbers

MOST = 20  # findings of a list
FROM_STORED = (
    "Judged from the figures and events that are stored, day by day; nothing was written. What the measuring itself "
    "passes over, a lower limit does not bring back: that takes the logs."
)


def show(tried: Tried) -> None:
    now, then = tried.count(tried=False), tried.count(tried=True)
    screen.say(f"{tried.rule.title} ({tried.rule.id})", style="bold")
    for name, (force, value) in tried.limits.items():
        unit = next(numbers.unit(x.unit) for x in tried.rule.limits if x.name == name)
        screen.say(f"{name}: {value:g} {unit}".rstrip() + f" instead of {_in_force(force)}.")
    screen.say(summary(tried))
    screen.say()
    rows = [_row("limits in force", now, tried.refused_now), _row("as tried", then, tried.refused_then)]
    columns = (
        "",
        "findings",
        "vehicles",
        "stop-use",
        "service",
        "note",
        "confirmed",
        "refuted",
        "open",
        "right (95 %)",
    )
    screen.table("By the record and the service book", (*columns, "not assessed"), rows)
    _list("More with it", tried.more, then=True)
    _list("Fewer with it", tried.fewer, then=False)
    if tried.changed:
        screen.say()
        body = [
            (f.vehicle, f.item, *(f"{one.severity}, {one.t:%Y-%m-%d}" for one in (f.now, f.then) if one), _word(f))
            for f in tried.changed[:MOST]
        ]
        screen.table("Told otherwise", ("vehicle", "item", "in force", "as tried", "by the book"), body)
    screen.say(FROM_STORED)


def summary(tried: Tried) -> str:
    """With this limit 12 findings more, 3 of the refuted less."""
    more, fewer = tried.more, tried.fewer
    over = f"over {screen.plural(tried.judged, 'vehicle')} and {screen.plural(tried.days, 'vehicle-day')}"
    unjudged = tried.refused_then - tried.refused_now
    than = "more" if unjudged > 0 else "less"
    unsaid = f" {screen.plural(abs(unjudged), 'vehicle')} {than} could not be judged by it." if unjudged else ""
    if not more and not fewer:
        else_ = f"; {screen.plural(len(tried.changed), 'finding')} otherwise" if tried.changed else ""
        return f"With it no finding more and none less{else_}, {over}.{unsaid}"
    said = [f"{screen.plural(len(more), 'finding')} more" + _decided(more)] if more else []
    said += [f"{screen.plural(len(fewer), 'finding')} less" + _decided(fewer)] if fewer else []
    lost = sum(f.word == "confirmed" for f in fewer)
    warn = f" It would have missed {lost} that people confirmed." if lost else ""
    return f"With it {' and '.join(said)}, {over}.{warn}{unsaid}"


def _decided(findings: Sequence[TriedFinding]) -> str:
    parts = [(word, sum(f.word == word for f in findings)) for word in ("confirmed", "refuted")]
    told = ", ".join(f"{n} {word}" for word, n in parts if n)
    return f" ({told})" if told else ""


def _in_force(force: Any) -> str:
    if len(set(force.values())) == 1:
        return f"{next(iter(force.values())):g}"
    return ", ".join(f"{value:g} of {profile}" for profile, value in sorted(force.items())) or "none in force"


def _row(name: str, of: Count, refused: int) -> tuple[object, ...]:
    right = of.precision
    share = f"{100 * right[0]:.0f} % ({100 * right[1]:.0f} to {100 * right[2]:.0f})" if right else "not enough to say"
    return name, of.told, of.vehicles, *of.by_severity.values(), of.confirmed, of.refuted, of.open, share, refused


def _list(title: str, findings: Sequence[TriedFinding], *, then: bool) -> None:
    if not findings:
        return
    screen.say()
    rows = []
    for f in findings[:MOST]:
        one = f.then if then else f.now
        assert one is not None  # it is in this list because it is told
        rows.append((f.vehicle, f.item, one.severity, f"{one.t:%Y-%m-%d}", one.statement, _word(f)))
    left = f"{len(findings) - MOST:,} more: --json." if len(findings) > MOST else ""
    screen.table(title, ("vehicle", "item", "severity", "day", "what it says", "by the book"), rows, note=left)


def _word(f: TriedFinding) -> str:
    return f.word or "open"


def as_dict(tried: Tried) -> dict[str, Any]:
    return {
        "rule": tried.rule.id,
        "limits": [{"name": n, "in_force": dict(f), "tried": v} for n, (f, v) in tried.limits.items()],
        "vehicles": tried.judged,
        "vehicle_days": tried.days,
        "in_force": _count(tried.count(tried=False), tried.refused_now),
        "tried": _count(tried.count(tried=True), tried.refused_then),
        "findings": [
            {"vehicle": f.vehicle, "item": f.item, "word": _word(f), "in_force": _first(f.now), "tried": _first(f.then)}
            for f in tried.findings
        ],
    }


def _count(of: Count, refused: int) -> dict[str, Any]:
    right = of.precision
    return {
        "told": of.told,
        "vehicles": of.vehicles,
        **{str(s): n for s, n in of.by_severity.items()},
        "confirmed": of.confirmed,
        "refuted": of.refuted,
        "open": of.open,
        "precision": dict(zip(("share", "low", "high"), right, strict=True)) if right else None,
        "not_assessed": refused,
    }


def _first(one: First | None) -> dict[str, Any] | None:
    return {"t": one.t, "severity": one.severity, "statement": one.statement} if one else None
