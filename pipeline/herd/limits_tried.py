"""A limit tried on the past: a rule judged by other limits, day by day over what is stored, and nothing is written.

Each vehicle is judged at the end of every day on which something was recorded (the newest DAYS of them), once by the
limits in force and once by those that are tried, so that a fault which was told and then mended counts as well. What
people found (confirmed, refuted) comes from the service book. Stored figures and events are what the rule would read
tonight; what the metric sets themselves pass over no limit brings back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.assess.kept_record import between, kept_records, with_limits
from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import Outcome
from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.health.engine import apply, limits_of
from herdbook.pipeline.health.rule import Finding, NotAssessed, Record, Rule
from herdbook.pipeline.health.severity import Severity, rank
from herdbook.pipeline.herd.outcomes import last_word
from herdbook.pipeline.own.load import own_of
from herdbook.pipeline.science.binomial import lower_share
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY, column_micros
from herdbook.pipeline.vehicle.figures import TABLES
from herdbook.pipeline.vehicle.problems import nearest

if TYPE_CHECKING:
    from herdbook.pipeline.book.entry import Entry

DAYS = 60  # days with a record that a vehicle is judged on, the newest; engineering choice: two months of daily use
Told = dict[str, "First"]  # by item


@dataclass(frozen=True, slots=True)
class First:
    """By the record of which day a finding of a vehicle is first told (its start, naive UTC); its gravest severity and
    what it said then."""

    t: datetime
    severity: Severity
    statement: str

    @property
    def told(self) -> tuple[datetime, Severity]:
        return self.t, self.severity


@dataclass(frozen=True, slots=True)
class TriedFinding:
    """One finding of a vehicle, by the limits in force and by those tried; None: not told. word: confirmed, refuted or
    "" for one that nobody decided."""

    vehicle: str
    item: str
    now: First | None
    then: First | None
    word: str


@dataclass(frozen=True, slots=True)
class Count:
    """Of the findings by one set of limits."""

    told: int
    vehicles: int
    by_severity: Mapping[Severity, int]
    confirmed: int
    refuted: int

    @property
    def open(self) -> int:
        return self.told - self.confirmed - self.refuted

    @property
    def precision(self) -> tuple[float, float, float] | None:
        """Share confirmed of those decided, with its exact 95 % ends (Clopper and Pearson); None where none is."""
        decided = self.confirmed + self.refuted
        if not decided:
            return None
        low, high = lower_share(self.confirmed, decided, 0.975), 1 - lower_share(self.refuted, decided, 0.975)
        return self.confirmed / decided, low, high


@dataclass(frozen=True, slots=True)
class Tried:
    """limits: name to (in force by profile, tried). judged: vehicles with a record. days: vehicle-days judged.
    refused_now, refused_then: vehicles that the rule cannot judge on any day."""

    rule: Rule
    limits: Mapping[str, tuple[Mapping[str, float], float]]
    judged: int
    days: int
    refused_now: int
    refused_then: int
    findings: tuple[TriedFinding, ...]

    def count(self, *, tried: bool) -> Count:
        told = [(f, one) for f in self.findings if (one := f.then if tried else f.now) is not None]
        return Count(
            told=len(told),
            vehicles=len({f.vehicle for f, _ in told}),
            by_severity={s: sum(one.severity is s for _, one in told) for s in reversed(Severity)},
            confirmed=sum(f.word == Outcome.CONFIRMED for f, _ in told),
            refuted=sum(f.word == Outcome.REFUTED for f, _ in told),
        )

    @property
    def more(self) -> list[TriedFinding]:
        return [f for f in self.findings if f.now is None and f.then is not None]

    @property
    def fewer(self) -> list[TriedFinding]:
        return [f for f in self.findings if f.then is None and f.now is not None]

    @property
    def changed(self) -> list[TriedFinding]:
        """Told by both, with another severity or on another day."""
        return [f for f in self.findings if f.now and f.then and f.now.told != f.then.told]


def given_limits(rule: Rule, given: Sequence[str]) -> dict[str, float]:
    """Limits from "name=value". Raises: SettingsError, naming what is wrong in which."""
    if not given:
        names = ", ".join(f"{x.name} ({x.value:g} {x.unit})" for x in rule.limits)
        raise SettingsError(f"no limit of {rule.id} is given", do=f"Say --limit NAME=VALUE. It has: {names}")
    known = {x.name: x for x in rule.limits}
    out: dict[str, float] = {}
    for text in given:
        key, sign, value = text.partition("=")
        name = key.strip().removeprefix(f"{rule.id}.")
        if not sign:
            raise SettingsError(f"--limit {text!r} has no value", do=f"Write --limit {name}=VALUE")
        if name not in known:
            _no_limit(rule, name, known)
        try:
            number = float(value)
        except ValueError:
            raise SettingsError(f"--limit {name}: {value.strip()!r} is no number", do="Write a number") from None
        if not np.isfinite(number) or (number < 0 <= known[name].value and "degC" not in known[name].unit):
            do = f"Write a number from 0 up, in {known[name].unit}; the rule's own is {known[name].value:g}"
            raise SettingsError(f"--limit {name}={value.strip()} cannot be", do=do)
        if name in out:
            raise SettingsError(f"--limit {name} is given twice", do="Leave one out")
        out[name] = number
    return out


def _no_limit(rule: Rule, name: str, known: Mapping[str, object]) -> None:
    plain = name.rpartition(".")[2]
    table = next((t for t, of in TABLES.items() if plain in vars(of)), "")
    if table:
        what = f"{plain} is a figure of the profile ([{table}]), and goes into measuring: the logs would be needed"
        raise SettingsError(what, do="Change it in the profile; herdbook backfill measures and judges the record anew")
    raise SettingsError(f"{rule.id} has no limit {name!r}", do=nearest(name, known))


def try_limits(store: Store, rule: str, given: Sequence[str], vehicle: str = "") -> Tried:
    """The rule on every vehicle's stored record, or on one's. Raises: NotKnownError, SettingsError, StoreError."""
    rules = own_of(store).judging_rules()
    if rule not in rules:
        raise NotKnownError(f"no rule {rule!r}", do=nearest(rule, rules))
    chosen = rules[rule]
    limits = given_limits(chosen, given)
    with store.read() as con:
        vehicles = [v for (v,) in con.execute("SELECT vehicle FROM vehicles ORDER BY vehicle").fetchall()]
        entries = [e for e in book.entered(con) if e.holds and e.rule == rule]
    if vehicle and vehicle not in vehicles:
        raise NotKnownError(f"vehicle {vehicle!r} has no log", do=nearest(vehicle, vehicles))
    override = {f"{rule}.{name}": value for name, value in limits.items()}
    found: list[TriedFinding] = []
    judged = days = refused_now = refused_then = 0
    force: dict[str, dict[str, float]] = {name: {} for name in limits}
    for record in kept_records(store, [vehicle] if vehicle else vehicles):
        for name, value in limits_of(chosen, record.profile.limits, record.profile.pack_figures.of_chemistry).items():
            if name in force:
                force[name][record.profile.name] = value
        pasts = list(_pasts(record))
        if not pasts:
            continue
        now, then = _first_told(chosen, pasts), _first_told(chosen, [(t, with_limits(r, override)) for t, r in pasts])
        judged, days = judged + 1, days + len(pasts)
        refused_now, refused_then = refused_now + (now is None), refused_then + (then is None)
        found += _beside(record.vehicle, rule, now or {}, then or {}, entries)
    return Tried(
        rule=chosen,
        limits={name: (force[name], value) for name, value in limits.items()},
        judged=judged,
        days=days,
        refused_now=refused_now,
        refused_then=refused_then,
        findings=tuple(found),
    )


def _pasts(record: Record) -> Iterator[tuple[datetime, Record]]:
    """Days with a session (UTC), the newest DAYS of them, each with the record as it stood at its end."""
    if not record.sessions.height:
        return
    ends = np.unique(column_micros(record.sessions["start_t"]) // DAY)[-DAYS:]
    for day in ends:
        t = datetime.fromtimestamp(int(day) * DAY / 1e6, UTC).replace(tzinfo=None)
        yield t, between(record, None, int(day + 1) * DAY)


def _first_told(rule: Rule, pasts: Sequence[tuple[datetime, Record]]) -> Told | None:
    """None where it could not be judged on any day."""
    told: Told = {}
    judged = False
    for t, record in pasts:
        said = apply(rule, record)
        if isinstance(said, NotAssessed):
            continue
        judged = True
        for f in said:
            told[f.item] = _graver(told.get(f.item), f, t)
    return told if judged else None


def _graver(before: First | None, found: Finding, t: datetime) -> First:
    if before is None:
        return First(t, found.severity, found.statement)
    if rank(found.severity) > rank(before.severity):
        return First(before.t, found.severity, found.statement)
    return before


def _beside(vehicle: str, rule: str, now: Told, then: Told, entries: Sequence[Entry]) -> Iterator[TriedFinding]:
    for item in sorted(now.keys() | then.keys()):
        yield TriedFinding(vehicle, item, now.get(item), then.get(item), last_word(entries, vehicle, rule, item))
