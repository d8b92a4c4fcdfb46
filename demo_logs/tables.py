"""A scorecard as tables for people (Markdown) and as plain values for scripts."""

from __future__ import annotations

from collections import defaultdict
from statistics import median
from typing import Any

from demo_logs.causes import CAUSES
from demo_logs.scorecard import FaultResult, Scorecard
from demo_logs.simulator.faults import KINDS


def as_markdown(card: Scorecard) -> str:
    """Recall by fault and size, precision by rule, confusion, false findings."""
    parts = [_recall(card), rules_table(card), confusion_table(card), _false(card)]
    return "\n\n".join(part for part in parts if part)


def _recall(card: Scorecard) -> str:
    rows = [
        "| fault | size | vehicles | found | median delay, days | right cause and nothing wrong beside |",
        "|---|---|---|---|---|---|",
    ]
    for name, size, group in grouped(card):
        found = [f for f in group if f.found]
        delays = [f.delay_days for f in found if f.delay_days is not None]
        clean = sum(not any(s.vehicle == f.vehicle for s in card.false) for f in found)
        mark = "" if group[0].act else " (poor data)" if group[0].poor_data else " (below the size to act at)"
        late = f"{median(delays):.1f}" if delays else "-"
        unit = KINDS[name][1]
        rows.append(
            f"| {name} | {size:g} {unit}{mark} | {len(group)} | {len(found)} | {late} | {clean} of {len(found)} |"
        )
    acting = card.acting
    stop = [f for f in acting if CAUSES[f.fault.name].stop_use]
    rows.append("")
    rows.append(
        f"At a size to act at, in good data: {_of([f.found for f in acting])} faults found; "
        f"of the stop-use kinds {_of([f.found for f in stop])}."
    )
    return "\n".join(rows) if card.faults else ""


def _of(flags: list[bool]) -> str:
    return f"{sum(flags)} of {len(flags)}"


def grouped(card: Scorecard) -> list[tuple[str, float, list[FaultResult]]]:
    """Results by fault and size."""
    groups: dict[tuple[str, float, bool], list[FaultResult]] = defaultdict(list)
    for result in card.faults:
        groups[result.fault.name, result.fault.size, result.poor_data].append(result)
    return [(name, size, group) for (name, size, _), group in sorted(groups.items())]


def rules_table(card: Scorecard) -> str:
    rows = ["| rule | findings | names a fault | true beside another | false |", "|---|---|---|---|---|"]
    for rule in sorted(card.said):
        total, right, side = card.said[rule], card.right[rule], card.side[rule]
        rows.append(f"| {rule} | {total} | {right} | {side} | {total - right - side} |")
    return "\n".join(rows)


def confusion_table(card: Scorecard) -> str:
    lines = [
        f"| {fault} | {', '.join(f'{rule} {n}' for rule, n in sorted(wrong.items()))} |"
        for fault, wrong in sorted(card.confusion.items())
        if wrong
    ]
    return "\n".join(["| fault | wrong words said beside it |", "|---|---|", *lines]) if lines else ""


def _false(card: Scorecard) -> str:
    rates = ", ".join(f"{s} {card.per_100_months(s):.2f}" for s in ("note", "service", "stop-use"))
    return (
        f"Sound vehicles: {card.healthy}, {card.healthy_months:.1f} vehicle-months. "
        f"False findings per 100 sound vehicle-months: {rates}."
    )


def as_json(card: Scorecard) -> dict[str, Any]:
    """The same as values."""
    acting = card.acting
    stop = [f for f in acting if CAUSES[f.fault.name].stop_use]
    return {
        "faults": [
            {
                "fault": name,
                "size": size,
                "unit": KINDS[name][1],
                "act": group[0].act,
                "poor_data": group[0].poor_data,
                "vehicles": len(group),
                "found": sum(f.found for f in group),
                "delay_days": [f.delay_days for f in group],
            }
            for name, size, group in grouped(card)
        ],
        "recall_at_serviceable_size": share([f.found for f in acting]),
        "recall_stop_use": share([f.found for f in stop]),
        "rules": {r: {"said": card.said[r], "right": card.right[r], "side": card.side[r]} for r in sorted(card.said)},
        "confusion": {f: dict(w) for f, w in sorted(card.confusion.items()) if w},
        "sound_vehicles": card.healthy,
        "sound_vehicle_months": round(card.healthy_months, 2),
        "false_per_100_sound_months": {s: card.per_100_months(s) for s in ("note", "service", "stop-use")},
        "false": [[s.vehicle, s.rule, s.severity, s.item] for s in card.false],
    }


def share(flags: list[bool]) -> float | None:
    """Share of true ones; None of nothing."""
    return sum(flags) / len(flags) if flags else None
