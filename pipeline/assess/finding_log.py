"""What an assessment changed in a vehicle's findings: new, worse, better or gone; the rows of finding_log."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

import polars as pl

from herdbook.pipeline.assess.rows import FindingRow
from herdbook.pipeline.health.severity import rank
from herdbook.pipeline.vehicle.record import US, Schema

NOTABLE = 0.02  # change of a finding's share of its subsystem that is worth telling; engineering choice
LOGGED: Schema = {
    **dict.fromkeys(("vehicle", "rule", "item", "change", "severity", "severity_before"), pl.String),
    "measured": pl.Float64,
    **dict.fromkeys(("unit", "statement"), pl.String),
    **dict.fromkeys(("limit", "se"), pl.Float64),
    "count": pl.Int64,
    "duration_s": pl.Float64,
    **dict.fromkeys(("first_t", "last_t"), US),
    "not_separable": pl.String,
}


class Turn(StrEnum):
    """How a finding changed, in the order in which it is told."""

    NEW = "new"
    WORSE = "worse"
    GONE = "gone"
    BETTER = "better"


@dataclass(frozen=True, slots=True)
class FormerFinding:
    """What must be known of a finding that stood before, to say what changed. share: 0..1 of its subsystem's score."""

    vehicle: str
    rule: str
    item: str
    severity: str
    measured: float
    unit: str
    statement: str
    share: float


@dataclass(frozen=True, slots=True)
class FindingChange:
    """One row of finding_log, without the scan; what is measured now is None for one that is gone. Times in us UTC."""

    vehicle: str
    rule: str
    item: str
    change: Turn
    severity: str
    severity_before: str | None
    unit: str
    statement: str
    measured: float | None = None
    limit: float | None = None
    se: float | None = None
    count: int | None = None
    duration_s: float | None = None
    first_t: int | None = None
    last_t: int | None = None
    not_separable: str | None = None


def changes_between(
    old: Iterable[FormerFinding], new: Iterable[FindingRow], refused: Mapping[tuple[str, str], str]
) -> list[FindingChange]:
    """What changed, worst first. refused: why rules can no longer judge a vehicle, by vehicle and rule."""
    before = {(f.vehicle, f.rule, f.item): f for f in old}
    after = {(f.vehicle, f.rule, f.item): f for f in new}
    found = []
    for key in before.keys() | after.keys():
        was, now = before.get(key), after.get(key)
        if now is not None:
            turn = _turn(was, now)
            if turn is not None:
                found.append(_now(turn, was, now))
        elif was is not None:
            found.append(_gone(was, refused.get(key[:2])))
    return sorted(found, key=lambda c: (*worst_first(c), c.rule, c.item))


_TURNS = {turn: place for place, turn in enumerate(Turn)}


def worst_first(change: FindingChange) -> tuple[int, int, str]:
    """Order of rows of finding_log."""
    return -rank(change.severity), _TURNS[change.change], change.vehicle


def _turn(was: FormerFinding | None, now: FindingRow) -> Turn | None:
    """None: nothing worth telling."""
    if was is None:
        return Turn.NEW
    drift = rank(now.severity) - rank(was.severity) or now.share - was.share
    if abs(drift) < NOTABLE:
        return None
    return Turn.WORSE if drift > 0 else Turn.BETTER


def _now(turn: Turn, was: FormerFinding | None, now: FindingRow) -> FindingChange:
    return FindingChange(
        vehicle=now.vehicle,
        rule=now.rule,
        item=now.item,
        change=turn,
        severity=now.severity,
        severity_before=was.severity if was else None,
        unit=now.unit,
        statement=now.statement,
        measured=now.measured,
        limit=now.limit,
        se=now.se,
        count=now.count,
        duration_s=now.duration_s,
        first_t=now.first_t,
        last_t=now.last_t,
        not_separable=now.not_separable,
    )


def _gone(was: FormerFinding, refused: str | None) -> FindingChange:
    return FindingChange(
        vehicle=was.vehicle,
        rule=was.rule,
        item=was.item,
        change=Turn.GONE,
        severity=was.severity,
        severity_before=was.severity,
        unit=was.unit,
        statement=f"no longer assessed: {refused}" if refused else f"no longer found; it was: {was.statement}",
    )
