"""Truth against words over a campaign of makers: recall, clean finds, false words, calibration, misses at a good score.

A word is right when it names a fault the vehicle has (demo_logs.causes), beside when it is a true consequence of one or
true of the vehicle's state (truth.py), else false. A fault counts when at least one session in which it could show was
logged after it began: with nothing logged nobody finds anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from demo_logs.causes import CAUSES, HARMLESS_WORDS
from demo_logs.makers.faults import STOP_USE
from demo_logs.makers.run import FaultLabel, Outcome, Word
from demo_logs.scorecard import same_item

DAYS_A_MONTH = 30.4375
BINS = (0.0, 0.5, 0.8, 0.9, 0.95, 0.98, 0.995, 1.0001)
MUCH = (10, 3)  # rides and charges logged: then nearly everything must be found
RIGHT, BESIDE, FALSE = "right", "beside", "false"
WEIGHTY = ("service", "stop-use")


@dataclass(frozen=True, slots=True)
class Found:
    """A fault and what became of it. much: many rides and charges logged. clean: found, no false word on the vehicle.
    perfect: the score of the part it belongs to was 100. quiet: no weighty word on the vehicle at all."""

    vehicle: str
    fault: FaultLabel
    found: bool
    severity: str
    much: bool
    clean: bool
    perfect: bool
    quiet: bool
    refused: bool  # missed, and every rule that could find it could not judge


@dataclass(frozen=True, slots=True)
class Spoken:
    vehicle: str
    sound: bool
    word: Word
    verdict: str


@dataclass
class Card:
    faults: list[Found] = field(default_factory=list)
    unseen: list[tuple[str, FaultLabel]] = field(default_factory=list)  # nothing logged since they began
    words: list[Spoken] = field(default_factory=list)
    sound: int = 0
    sound_months: float = 0.0

    def false_per_100(self, severity: str) -> float:
        """False words per 100 sound vehicle-months."""
        count = sum(s.sound and s.verdict == FALSE and s.word.severity == severity for s in self.words)
        return 100.0 * count / self.sound_months if self.sound_months else 0.0

    @property
    def stop(self) -> list[Found]:
        return [f for f in self.faults if f.fault.name in STOP_USE]

    @property
    def missed(self) -> list[Found]:
        return [f for f in self.faults if not f.found]


def verdict_of(word: Word, outcome: Outcome) -> str:
    for fault in outcome.faults:
        if word.rule in CAUSES[fault.name].right and same_item(word.item, fault.item):
            return RIGHT
    if any(word.rule in CAUSES[fault.name].side for fault in outcome.faults):
        return BESIDE
    if any(word.rule == rule and same_item(word.item, item) for rule, item in outcome.true_words):
        return BESIDE
    return BESIDE if word.rule in HARMLESS_WORDS[""] and word.severity == "note" else FALSE


def score(outcomes: Sequence[Outcome], subsystems: dict[str, str]) -> Card:
    """subsystems: of every rule."""
    card = Card()
    for outcome in outcomes:
        spoken = [Spoken(outcome.vehicle, not outcome.faults, w, verdict_of(w, outcome)) for w in outcome.words]
        card.words += spoken
        wrong = any(s.verdict == FALSE for s in spoken)
        for fault in outcome.faults:
            if not fault.shown:
                card.unseen.append((outcome.vehicle, fault))
            else:
                card.faults.append(_found(outcome, fault, wrong, subsystems))
        if not outcome.faults and outcome.rides + outcome.charges > 0:
            card.sound += 1
            card.sound_months += outcome.days / DAYS_A_MONTH
    return card


def _found(outcome: Outcome, fault: FaultLabel, wrong: bool, subsystems: dict[str, str]) -> Found:
    right = CAUSES[fault.name].right
    hits = [w for w in outcome.words if w.rule in right and same_item(w.item, fault.item)]
    order = ("note", "service", "stop-use")
    worst = max((w.severity for w in hits), key=order.index, default="")
    return Found(
        outcome.vehicle,
        fault,
        bool(hits),
        worst,
        outcome.rides >= MUCH[0] and outcome.charges >= MUCH[1],
        bool(hits) and not wrong,
        outcome.scores.get(subsystems[right[0]]) == 100.0,
        not any(w.severity in WEIGHTY for w in outcome.words),
        not hits and all(rule in outcome.refused for rule in right),
    )


def reliability(words: Sequence[Spoken]) -> list[tuple[float, float, int, int, float]]:
    """(from, to, words, right or beside, mean stated confidence) for each class of stated confidence."""
    out = []
    for low, high in pairwise(BINS):
        some = [s for s in words if low <= s.word.confidence < high]
        if some:
            good = sum(s.verdict != FALSE for s in some)
            out.append((low, min(high, 1.0), len(some), good, sum(s.word.confidence for s in some) / len(some)))
    return out
