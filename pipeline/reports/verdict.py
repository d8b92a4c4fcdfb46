"""The verdict in two lines and the scores with what they are made of."""

from __future__ import annotations

from dataclasses import dataclass

from herdbook.pipeline.health.severity import SUBSYSTEMS, Severity
from herdbook.pipeline.health.voice import order_of
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row


@dataclass(frozen=True, slots=True)
class Mark:
    """One subsystem's score. parts: the chain of shares in words. row: the scores row or None."""

    subsystem: str
    score: float | None
    reason: str
    parts: str
    judged: str


def verdict(facts: Facts, sessions: int) -> tuple[str, str]:
    """Two lines: what to do with the unit and why; how far to trust it. sessions: how many are on record."""
    stop, findings = facts.graves(Severity.STOP_USE), facts.findings
    if stop:
        first = f"{facts.vehicle} must not be used: {stop[0]['statement']} {order_of(Severity.STOP_USE)}"
    elif facts.unlooked:
        open_one = facts.unlooked[0]
        first = (
            f"{facts.vehicle} must not be used: a scan told of “{facts.rule_title(open_one.rule)}” on "
            f"{open_one.since_t:%Y-%m-%d}, and no inspection or repair is entered. {order_of(Severity.STOP_USE)}"
        )
    elif findings[:1] and findings[0]["severity"] == Severity.SERVICE:
        first = f"{facts.vehicle} needs service: {findings[0]['statement']}"
    elif findings:
        first = f"{facts.vehicle} has nothing that needs service. Worth knowing: {findings[0]['statement']}"
    else:
        first = f"No finding on {facts.vehicle} in the data available."
    parts = []
    if findings:
        began = min(f["first_t"] for f in findings)
        parts.append(
            f"{numbers.plural(len(findings), 'finding')} ({_count_words(findings)}), "
            f"first recorded {numbers.day(began, facts.zone)}"
        )
    parts.append(f"{numbers.plural(sessions, 'session')} on record")
    if facts.not_assessed:
        parts.append(f"{numbers.plural(len(facts.not_assessed), 'question')} could not be judged")
    return first, "; ".join(parts) + "."


def _count_words(findings: list[Row]) -> str:
    counts = [(s, sum(f["severity"] == s for f in findings)) for s in reversed(Severity)]
    return ", ".join(f"{n} {numbers.SEVERITY_WORD[s].lower()}" for s, n in counts if n)


def _judged(row: Row | None) -> str:
    return f"{row['rules_judged']} of {numbers.plural(row['rules_total'], 'rule')} judged" if row else "no rule judged"


def marks(facts: Facts) -> list[Mark]:
    """Every subsystem in the fixed order, with the chain that makes its score."""
    by_name = {row["subsystem"]: row for row in facts.scores}
    out = []
    for subsystem in SUBSYSTEMS:
        row = by_name.get(subsystem)
        shares = [f["share"] for f in facts.findings if f["subsystem"] == subsystem]
        score = row["score"] if row else None
        parts = (
            "100"
            + "".join(f" × (1 − {share:.2f})" for share in shares)
            + (f" = {score:.0f}" if score is not None else "")
            if shares
            else "no finding takes a share"
        )
        out.append(
            Mark(
                subsystem,
                score,
                row["reason"] if row else "nothing recorded about it",
                parts,
                _judged(row),
            )
        )
    return out
