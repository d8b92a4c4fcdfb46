"""A campaign of makers as text for people, and as plain values for scripts."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from demo_logs.aggregate import wilson
from demo_logs.makers.score import FALSE, WEIGHTY, Card, Found, Spoken, reliability


def share(good: int, of: int) -> str:
    if of == 0:
        return "none"
    low, high = wilson(good, of)
    return f"{good} of {of} = {100 * good / of:.1f} % ({100 * low:.0f} to {100 * high:.0f})"


def as_markdown(card: Card) -> str:
    parts = [_bars(card), _kinds(card.faults), _calibration(card.words), _rules_calibrated(card.words)]
    parts += [_false_rules(card.words), _lists(card)]
    return "\n\n".join(p for p in parts if p)


def _bars(card: Card) -> str:
    faults, missed = card.faults, card.missed
    much = [f for f in faults if f.much]
    little = [f for f in faults if not f.much]
    found = [f for f in faults if f.found]
    stop = card.stop
    clean = sum(f.clean for f in faults)
    rows = [
        ("faults found, with what was logged", share(len(found), len(faults))),
        ("... where 10 rides and 3 charges were logged", share(sum(f.found for f in much), len(much))),
        ("... where less was logged", share(sum(f.found for f in little), len(little))),
        ("right cause and nothing wrong beside, of all faults", share(clean, len(faults))),
        ("right cause and nothing wrong beside, of those found", share(clean, len(found))),
        ("stop-use faults found", share(sum(f.found for f in stop), len(stop))),
        ("stop-use faults said to be stop-use", share(sum(f.severity == "stop-use" for f in stop), len(stop))),
        ("misses under a score of 100", share(sum(f.perfect for f in missed), len(missed))),
        ("misses on a vehicle without any service word", share(sum(f.quiet for f in missed), len(missed))),
        ("misses whose rules could not judge", share(sum(f.refused for f in missed), len(missed))),
    ]
    lines = ["| figure | reached (95 % interval) |", "|---|---|", *(f"| {a} | {b} |" for a, b in rows)]
    rates = ", ".join(f"{s} {card.false_per_100(s):.1f}" for s in ("note", "service", "stop-use"))
    count = Counter(s.word.severity for s in card.words if s.sound and s.verdict == FALSE)
    lines.append("")
    lines.append(
        f"Sound vehicles: {card.sound}, {card.sound_months:.1f} vehicle-months. False words per 100 sound "
        f"vehicle-months: {rates} (counted: {', '.join(f'{k} {v}' for k, v in sorted(count.items())) or 'none'})."
    )
    lines.append(f"Faults of which nothing was logged since they began, left out above: {len(card.unseen)}.")
    return "\n".join(lines)


def _kinds(faults: Sequence[Found]) -> str:
    groups: dict[str, list[Found]] = defaultdict(list)
    for f in faults:
        groups[f.fault.name].append(f)
    rows = ["| fault | found | by size | clean | misses not assessed |", "|---|---|---|---|---|"]
    for name, group in sorted(groups.items()):
        sizes = sorted({f.fault.size for f in group})
        by_size = ", ".join(
            f"{size:g}: {sum(f.found for f in group if f.fault.size == size)} of "
            f"{sum(f.fault.size == size for f in group)}"
            for size in sizes
        )
        found, refused = sum(f.found for f in group), sum(f.refused for f in group)
        rows.append(f"| {name} | {found} of {len(group)} | {by_size} | {sum(f.clean for f in group)} | {refused} |")
    return "\n".join(rows)


def _calibration(words: Sequence[Spoken]) -> str:
    rows = ["| stated confidence | weighty words | right or true beside | mean stated | true share |"]
    rows.append("|---|---|---|---|---|")
    for low, high, count, good, stated in reliability([s for s in words if s.word.severity in WEIGHTY]):
        rows.append(f"| {low:g} to {high:g} | {count} | {good} | {stated:.3f} | {good / count:.2f} |")
    return "\n".join(rows)


def _rules_calibrated(words: Sequence[Spoken]) -> str:
    """Per rule: a stated confidence of 0.95 ought to be right in 95 %. Outside: the stated mean lies beyond the
    interval of the true share, to which side."""
    rows = ["| rule, weighty words | words | mean stated | right or true beside | outside |", "|---|---|---|---|---|"]
    weighty = [s for s in words if s.word.severity in WEIGHTY]
    for rule in sorted({s.word.rule for s in weighty}):
        some = [s for s in weighty if s.word.rule == rule]
        good = sum(s.verdict != FALSE for s in some)
        stated = sum(s.word.confidence for s in some) / len(some)
        low, high = wilson(good, len(some))
        side = "claims too much" if stated > high else "claims too little" if stated < low else ""
        rows.append(f"| {rule} | {len(some)} | {stated:.3f} | {share(good, len(some))} | {side} |")
    return "\n".join(rows)


def _false_rules(words: Sequence[Spoken]) -> str:
    rows = ["| rule | words | right | true beside | false | false on sound vehicles | mean confidence |"]
    rows.append("|---|---|---|---|---|---|---|")
    for rule in sorted({s.word.rule for s in words}):
        some = [s for s in words if s.word.rule == rule]
        count = Counter(s.verdict for s in some)
        sound = sum(s.sound and s.verdict == FALSE for s in some)
        stated = sum(s.word.confidence for s in some) / len(some)
        cells = [len(some), count["right"], count["beside"], count[FALSE], sound]
        rows.append(f"| {rule} | {' | '.join(map(str, cells))} | {stated:.2f} |")
    return "\n".join(rows)


def _lists(card: Card) -> str:
    lines = ["Missed:"]
    for f in card.missed:
        marks = [m for m, on in (("score 100", f.perfect), ("not assessed", f.refused), ("much logged", f.much)) if on]
        what = f"{f.fault.name} {f.fault.item} {f.fault.size:g}".replace("  ", " ")
        lines.append(f"- {f.vehicle} {what}, shown in {f.fault.shown} sessions; {', '.join(marks) or '-'}")
    lines.append("")
    lines.append("False words of weight:")
    for s in card.words:
        if s.verdict == FALSE and s.word.severity in WEIGHTY:
            kind = "sound" if s.sound else "faulty"
            lines.append(f"- {s.vehicle} ({kind}) {s.word.severity} {s.word.rule} {s.word.item}: {s.word.statement}")
    return "\n".join(lines)


def as_json(card: Card) -> dict[str, Any]:
    return {
        "faults": [asdict(f) for f in card.faults],
        "unseen": [[v, asdict(f)] for v, f in card.unseen],
        "words": [asdict(s) for s in card.words],
        "sound": card.sound,
        "sound_months": card.sound_months,
    }
