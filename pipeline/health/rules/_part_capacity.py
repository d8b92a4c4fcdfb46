"""What one charge to full, or rides near empty, say of the pack's capacity: findings of the rule on low capacity."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from herdbook.pipeline.health.pack.knee_capacity import KneeCapacity
from herdbook.pipeline.health.pack.span_capacity import SpanCapacity
from herdbook.pipeline.health.rule import Finding
from herdbook.pipeline.health.sentences import counted, to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, surely_passed, worth_acting

UNIT = "% of rated capacity"


def by_knee(knee: KneeCapacity, rated: float, limits: Mapping[str, float]) -> list[Finding] | None:
    """By where the voltage fell off; None where it neither shows a loss nor rules out one that is acted on."""
    if not limits["look"] - knee.pct > limits["z"] * knee.se:
        return [] if knee.pct - limits["act"] > limits["z"] * knee.se else None
    act = acts_on(knee.pct, knee.se, limits)
    limit = passed(knee.pct, knee.se, limits)
    holds = holds_of(knee.pct, knee.se, rated)
    return [
        Finding(
            severity=Severity.SERVICE if act else Severity.NOTE,
            item="",
            measured=knee.pct,
            limit=limit,
            unit=UNIT,
            se=knee.se,
            statement=f"By its voltage the pack had {knee.left_pct:.0f} % left when its report, counted from full, "
            f"still said {knee.said_pct:.0f} %: it holds {holds.ah} Ah, {holds.pct} % of its "
            f"rated {rated:g} Ah (standard error {holds.error} %, {counted(knee.sessions, 'session')} near empty).",
            confidence=confidence(knee.pct, limit, knee.se),
            persistence=1.0,
            count=knee.sessions,
            duration_s=knee.seconds,
            windows=knee.windows,
            signals=("pack_soc", "cell_voltage", "pack_current"),
            not_separable="Low capacity, a current sensor that reads low, or a report that was not set right by the "
            "last full charge: a full charge and a measured discharge tell.",
            unsettled=not act,
        )
    ]


def by_span(span: SpanCapacity, rated: float, limits: Mapping[str, float]) -> list[Finding] | None:
    """By the part of its curve that a charge to full drew; None where it neither shows a loss nor rules out one that
    is acted on."""
    if not limits["look"] - span.pct > limits["z"] * span.se:
        return [] if span.pct - limits["act"] > limits["z"] * span.se else None
    act = acts_on(span.pct, span.se, limits)
    limit = passed(span.pct, span.se, limits)
    holds = holds_of(span.pct, span.se, rated)
    return [
        Finding(
            severity=Severity.SERVICE if act else Severity.NOTE,
            item="",
            measured=span.pct,
            limit=limit,
            unit=UNIT,
            se=span.se,
            statement=f"A charge to full put in {span.put_ah:.1f} Ah and began, by the climb of its voltage, at about "
            f"{span.begin_pct:.0f} % of charge: the pack holds {holds.ah} Ah, {holds.pct} % of its rated {rated:g} Ah "
            f"(standard error {holds.error} %).",
            confidence=confidence(span.pct, limit, span.se),
            persistence=1.0,
            count=1,
            duration_s=(span.window.end - span.window.start) / 1e6,
            windows=(span.window,),
            signals=("cell_voltage", "pack_current"),
            not_separable="Low capacity and a current sensor that reads low look alike here: compare the sensor with "
            "a reference meter at 20 A.",
            unsettled=not act,
        )
    ]


def acts_on(pct: float, se: float, limits: Mapping[str, float]) -> bool:
    return worth_acting(-pct, se, look=-limits["look"], act=-limits["act"], z=limits["z"])


def passed(pct: float, se: float, limits: Mapping[str, float]) -> float:
    """The limit that it surely lies under."""
    return -surely_passed(-pct, se, look=-limits["look"], act=-limits["act"], z=limits["z"])


class Holds(NamedTuple):
    """A capacity in words, to the place of its error."""

    ah: str
    pct: str
    error: str


def holds_of(pct: float, se: float, rated: float) -> Holds:
    ah, _ = to_error(pct * rated / 100, se * rated / 100)
    return Holds(ah, *to_error(pct, se))
