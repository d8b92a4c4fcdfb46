"""What one charge to full, or rides near empty, say of the pack's capacity: findings of the rule on low capacity."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from herdbook.pipeline.health.pack.knee_capacity import KneeCapacity
from herdbook.pipeline.health.pack.span_capacity import SpanCapacity
from herdbook.pipeline.health.rule import Finding, Window
from herdbook.pipeline.health.sentences import counted, to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, surely_passed, worth_acting

UNIT = "% of rated capacity"


class _Told(NamedTuple):
    """What one way of telling a capacity adds to its value: its words, and what they rest on."""

    statement: str
    times: int
    duration_s: float
    windows: tuple[Window, ...]
    signals: tuple[str, ...]
    not_separable: str


def by_knee(knee: KneeCapacity, rated: float, limits: Mapping[str, float]) -> list[Finding] | None:
    """By where the voltage fell off; None where it neither shows a loss nor rules out one that is acted on."""
    holds = holds_of(knee.pct, knee.se, rated)
    told = _Told(
        f"By its voltage the pack had {knee.left_pct:.0f} % left when its report, counted from full, "
        f"still said {knee.said_pct:.0f} %: it holds {holds.ah} Ah, {holds.pct} % of its "
        f"rated {rated:g} Ah (standard error {holds.error} %, {counted(knee.sessions, 'session')} near empty).",
        knee.sessions,
        knee.seconds,
        knee.windows,
        ("pack_soc", "cell_voltage", "pack_current"),
        "Low capacity, a current sensor that reads low, a profile that names a larger pack, or a report that was not "
        "set right by the last full charge: the pack's label, then a full charge and a measured discharge tell.",
    )
    return _judged(knee.pct, knee.se, told, limits)


def by_span(span: SpanCapacity, rated: float, limits: Mapping[str, float]) -> list[Finding] | None:
    """By the part of its curve that a charge to full drew; None where it neither shows a loss nor rules out one that
    is acted on."""
    holds = holds_of(span.pct, span.se, rated)
    told = _Told(
        f"A charge to full put in {span.put_ah:.1f} Ah and began, by the climb of its voltage, at about "
        f"{span.begin_pct:.0f} % of charge: the pack holds {holds.ah} Ah, {holds.pct} % of its rated {rated:g} Ah "
        f"(standard error {holds.error} %).",
        1,
        (span.window.end - span.window.start) / 1e6,
        (span.window,),
        ("cell_voltage", "pack_current"),
        alike(rated),
    )
    return _judged(span.pct, span.se, told, limits)


def alike(rated: float) -> str:
    """What a counted capacity cannot be told from."""
    return (
        "Low capacity, a current sensor that reads low, and a profile that names a larger pack than this one "
        f"({rated:g} Ah) look alike here: read the pack's label, then compare the sensor with a reference meter at "
        "20 A."
    )


def too_vague(knee: KneeCapacity | None, span: SpanCapacity | None) -> str:
    """What was measured and is too vague to judge by, for the reason why nothing is."""
    parts = []
    if span is not None:
        value, error = to_error(span.pct, span.se)
        parts.append(
            f"one charge to full, begun at about {span.begin_pct:.0f} %, gives {value} ± {error} % of the rated"
        )
    if knee is not None:
        value, error = to_error(knee.pct, knee.se)
        parts.append(f"rides near empty give {value} ± {error} %")
    return f"; too vague to judge by: {', and '.join(parts)}" if parts else ""


def _judged(pct: float, se: float, told: _Told, limits: Mapping[str, float]) -> list[Finding] | None:
    """Nothing where a loss that is acted on is ruled out, None where neither that nor a loss is shown."""
    if not limits["look"] - pct > limits["z"] * se:
        return [] if pct - limits["act"] > limits["z"] * se else None
    act, limit = acts_on(pct, se, limits), passed(pct, se, limits)
    return [
        Finding(
            severity=Severity.SERVICE if act else Severity.NOTE,
            item="",
            measured=pct,
            limit=limit,
            unit=UNIT,
            se=se,
            confidence=confidence(pct, limit, se),
            persistence=1.0,
            unsettled=not act,
            statement=told.statement,
            count=told.times,
            duration_s=told.duration_s,
            windows=told.windows,
            signals=told.signals,
            not_separable=told.not_separable,
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
