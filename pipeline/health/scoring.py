"""From findings to a score per subsystem: 100 x product(1 - share), or none, with the reason.

The share p a finding takes is weight(severity) x confidence x firmness, in [0, 1). Firmness rises with persistence from
a floor that severity sets: a brake that let go once in fifty stops is not fifty times better than one that always does.
A further finding never raises the score: every factor 1 - p is at most 1. A score is withheld when the rules that could
be judged are too few of the subsystem's to speak for it and found nothing, while one that matters could not judge
though the bus carries what it needs, or where one only noted what would weigh much were it surer: absent data is never
health, 100 means looked at and found sound, and a finding is never hidden by what could not be judged beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from herdbook.pipeline.health.rule import Finding
from herdbook.pipeline.health.severity import Severity

# (weight, floor of firmness): engineering choices. Of 100, one certain stop-use finding leaves 10 (it shows always) to
# 14.5 (hardly ever), one service finding 60 to 84, one note 97 to 100.
WEIGHTS = {Severity.NOTE: (0.03, 0.0), Severity.SERVICE: (0.40, 0.4), Severity.STOP_USE: (0.90, 0.95)}
LEAST_JUDGED = 0.5  # share of a subsystem's rules that must have been judged; engineering choice


@dataclass(frozen=True, slots=True)
class Score:
    """score 0..100, or None and why. With a score and a reason it is an upper bound. judged of total rules had what
    they needed."""

    score: float | None
    judged: int
    total: int
    reason: str = ""


def share(finding: Finding) -> float:
    """What the finding takes from its subsystem, in [0, 1)."""
    weight, floor = WEIGHTS[finding.severity]
    confidence = min(max(finding.confidence, 0.0), 1.0)
    persistence = min(max(finding.persistence, 0.0), 1.0)
    return weight * confidence * (floor + (1.0 - floor) * persistence)


def score(shares: Sequence[float], judged: int, total: int, waits_for: str = "", unsettled: str = "") -> Score:
    """Score of one subsystem from the shares of its findings, and how many of its rules could be judged. waits_for:
    what is still open of the rules that matter, "" when all could judge. unsettled: what the notes leave open, where
    nothing weightier was found, "" when nothing."""
    if total == 0:
        return Score(None, 0, 0, "no rule looks at this subsystem")
    if judged == 0:
        return Score(None, 0, total, "none of its rules had the data it needs")
    few = f"only {judged} of its {total} rules had the data they need" if judged < LEAST_JUDGED * total else waits_for
    if unsettled or (few and not shares):
        return Score(None, judged, total, "; ".join(filter(None, (unsettled, few))))
    left = 100.0
    for taken in sorted(shares):  # sorted: the product does not depend on the order of rules
        left *= 1.0 - taken
    return Score(left, judged, total, f"at most: {few}" if few else "")
