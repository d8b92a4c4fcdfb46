"""Findings against the truth: precision, recall by size, delay, confusion, false findings. Knows no files.

A fault counts as found when a rule of its `right` set says so about the right item at or after onset. A finding is
right when it names a fault the vehicle has, a side effect when it is a true consequence of one, else it is false.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from demo_logs.causes import CAUSES, HARMLESS_WORDS

MONTH_US = 30.4375 * 86_400e6
DAY_US = 86_400e6


@dataclass(frozen=True, slots=True)
class TrueFault:
    """onset: microseconds UTC of the fault, never before the first log."""

    name: str
    item: str
    size: float
    onset: int


@dataclass(frozen=True, slots=True)
class TrueVehicle:
    """poor_data: sampled slowly or without some roles; what cannot be seen is then no miss. far: physics far
    out; left: roles missing."""

    vehicle: str
    profile: str
    faults: tuple[TrueFault, ...]
    harmless: tuple[str, ...]
    first: int
    last: int
    poor_data: bool = False
    far: bool = False
    left: bool = False


@dataclass(frozen=True, slots=True)
class Said:
    """A finding as the catalogue has it; first: first evidence, microseconds UTC."""

    vehicle: str
    rule: str
    severity: str
    item: str
    first: int


@dataclass(frozen=True, slots=True)
class FaultResult:
    vehicle: str
    fault: TrueFault
    found: bool
    delay_days: float | None
    severity: str
    act: bool  # of a size where a service desk would act, in data good enough to see it
    poor_data: bool = False


@dataclass(slots=True)
class Scorecard:
    faults: list[FaultResult] = field(default_factory=list)
    false: list[Said] = field(default_factory=list)  # wrong words, on vehicles with and without faults
    said: Counter[str] = field(default_factory=Counter)  # findings by rule
    right: Counter[str] = field(default_factory=Counter)
    side: Counter[str] = field(default_factory=Counter)
    confusion: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    healthy: int = 0
    healthy_months: float = 0.0
    healthy_false: list[Said] = field(default_factory=list)

    @property
    def acting(self) -> list[FaultResult]:
        """Faults of a size to act at, in good data."""
        return [f for f in self.faults if f.act]

    @property
    def missed(self) -> list[FaultResult]:
        return [f for f in self.faults if f.act and not f.found]

    @property
    def alarms(self) -> list[Said]:
        """Findings of weight on vehicles without a fault."""
        return [s for s in self.healthy_false if s.severity in ("service", "stop-use")]

    def per_100_months(self, severity: str) -> float:
        count = sum(s.severity == severity for s in self.healthy_false)
        return 100.0 * count / self.healthy_months if self.healthy_months else 0.0


def score(truth: Sequence[TrueVehicle], said: Sequence[Said]) -> Scorecard:
    """Hold everything that was said against everything that was so."""
    card = Scorecard()
    by_vehicle: dict[str, list[Said]] = defaultdict(list)
    for one in said:
        by_vehicle[one.vehicle].append(one)
    for vehicle in truth:
        _vehicle(card, vehicle, by_vehicle[vehicle.vehicle])
    return card


def _vehicle(card: Scorecard, vehicle: TrueVehicle, said: list[Said]) -> None:
    for fault in vehicle.faults:
        hits = [s for s in said if s.rule in CAUSES[fault.name].right and same_item(s.item, fault.item)]
        hit = min(hits, key=lambda s: s.first, default=None)
        late = max(0.0, (hit.first - fault.onset) / DAY_US) if hit else None
        act = fault.size >= CAUSES[fault.name].acts_at and not vehicle.poor_data
        severity = hit.severity if hit else ""
        card.faults.append(FaultResult(vehicle.vehicle, fault, bool(hit), late, severity, act, vehicle.poor_data))
    words = {w for h in ("", *vehicle.harmless) for w in HARMLESS_WORDS[h]}
    wrong = []
    for one in said:
        card.said[one.rule] += 1
        named = [f for f in vehicle.faults if one.rule in CAUSES[f.name].right and same_item(one.item, f.item)]
        aside = any(one.rule in CAUSES[f.name].side for f in vehicle.faults)
        if named:
            card.right[one.rule] += 1
        elif aside or one.rule in words:
            card.side[one.rule] += 1
        else:
            wrong.append(one)
    card.false += wrong
    for fault in vehicle.faults:
        for one in wrong:
            card.confusion[fault.name][one.rule] += 1
    if not vehicle.faults:
        card.healthy += 1
        card.healthy_months += (vehicle.last - vehicle.first) / MONTH_US
        card.healthy_false += wrong


def same_item(said: str, item: str) -> bool:
    """ "cell 8" is about 8, "cells 6-7" about 6 and 7; a fault without an item is met by any."""
    if item == "":
        return True
    if item in ("left", "right"):
        return item in said or said == ""
    return item in re.findall(r"\d+", said) or said == ""
