"""Somebody's own rule or metric set, made so that whatever it does harms nothing else: what it lets slip, or says in a
form that cannot be used, becomes a reason why it alone judged nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from herdbook.pipeline.health.rule import Cases, Finding, NotAssessed, Record, Rule, Window
from herdbook.pipeline.health.severity import Severity, rank
from herdbook.pipeline.metrics.set import MetricSet, Outcome
from herdbook.pipeline.own.files import PREFIX
from herdbook.pipeline.vehicle.figures import MissingFigureError
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import FAILED, Event, Metric, Session
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Signals

LONGEST = 300  # characters of an error, 1000 of a statement: they go into tables and pages


def guarded(rule: Rule, origin: str) -> Rule:
    """The rule, named as what it is wherever its title or meaning is read; no score waits for it."""

    def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
        try:
            said = rule.judge(record, limits)
        except MissingFigureError:
            raise
        except Exception as error:
            return NotAssessed(f"{origin} fails: {in_short(error)}; the other rules stand")
        if isinstance(said, NotAssessed):
            return said
        why = _wrong(rule, said)
        if why:
            return NotAssessed(f"{origin} gives something that is no finding: {why}; the other rules stand")
        return said

    title = f"{rule.title} ({origin})"
    meaning = f"{rule.meaning} This is not a rule of Herdbook; it was added to this store: {origin}."
    return replace(rule, title=title, meaning=meaning, judge=judge, matters=False)


def unusable(name: str, why: str) -> Rule:
    """Stands for a rule that cannot be used: no vehicle is judged by it, and every vehicle's page says why."""
    return Rule(
        id=name if name.startswith(PREFIX) else PREFIX + name,
        title=f"{name} (own rule that cannot be used)",
        subsystem="data",
        severity=Severity.NOTE,
        needs=(),
        roles=(),
        limits=(),
        judge=lambda record, limits: NotAssessed(f"the own rule {name} cannot be used: {why}; the other rules stand"),
        meaning="A rule that somebody added to this store and that could not be loaded.",
        causes=("A mistake in its file",),
        bench=("Correct the file; herdbook rules test says whether it works",),
        cautions=(),
        source="",
        cases=lambda: Cases((), (), ()),
        matters=False,
    )


def guarded_set(found: MetricSet) -> MetricSet:
    """The set, giving what it states and nothing else; where it fails, an event that says so."""

    def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
        try:
            outcome = found.compute(session, signals, profile)
            metrics = tuple(_metric(m, found) for m in outcome.metrics)
            events = tuple(_event(e) for e in outcome.events)
        except MissingFigureError:
            raise
        except Exception as error:
            said = f"{found.id}: {in_short(error)}"
            return Outcome(events=(Event(FAILED, session.start, session.end, said),))
        return Outcome(metrics, events)

    return replace(found, compute=compute)


def in_short(error: BaseException) -> str:
    """An error in one line, with the line of the file it came from."""
    at = error.__traceback__
    while at is not None and at.tb_next is not None:
        at = at.tb_next
    where = f" (line {at.tb_lineno} of {at.tb_frame.f_code.co_filename.rpartition('/')[2]})" if at else ""
    said = " ".join(str(error).split())
    return f"{type(error).__name__}: {said}"[:LONGEST].rstrip(". :") + where


def _metric(m: Metric, found: MetricSet) -> Metric:
    if m.name not in found.gives:
        raise ValueError(f"it gives {m.name!r}, which it does not state")
    if m.unit != found.gives[m.name][0]:
        raise ValueError(f"it gives {m.name} in {m.unit!r} and states {found.gives[m.name][0]!r}")
    if not math.isfinite(m.value):
        raise ValueError(f"{m.name} is {m.value}; give no metric where there is no number")
    return replace(m, value=float(m.value), n=int(m.n), coverage=float(m.coverage), item=str(m.item))


def _event(e: Event) -> Event:
    if not e.kind.startswith(PREFIX) or e.kind == FAILED:
        raise ValueError(f"its event {e.kind!r} does not begin with {PREFIX}")
    data = {str(k): float(v) for k, v in e.data.items()}
    return Event(e.kind, int(e.start), int(e.end), str(e.item), data)


def _wrong(rule: Rule, said: object) -> str:
    """What keeps an answer from being findings of this rule; "" when nothing does."""
    if not isinstance(said, list):
        return f"{type(said).__name__} in place of a list"
    for f in said:
        if not isinstance(f, Finding) or not isinstance(f.severity, Severity):
            return f"{type(f).__name__} in place of a Finding with a Severity"
        if rank(f.severity) > rank(rule.severity):
            return f"{f.severity} where its worst is {rule.severity}"
        numbers = (f.measured, f.limit, f.confidence, f.persistence, f.duration_s, 0.0 if f.se is None else f.se)
        if not all(isinstance(x, int | float) and math.isfinite(x) for x in numbers):
            return "a number that is none"
        if not (0.0 < f.confidence <= 1.0 and 0.0 <= f.persistence <= 1.0):
            return "confidence or persistence that is no share from 0 to 1"
        if not (isinstance(f.statement, str) and 0 < len(f.statement) <= 1000 and isinstance(f.unit, str)):
            return "no statement of up to 1000 characters"
        if unknown := set(f.signals) - set(ROLES):
            return f"signals that are no roles: {', '.join(sorted(unknown))}"
        ends = [(w.start, w.end) if isinstance(w, Window) else ("", "") for w in f.windows]
        if not all(type(a) is type(b) is int and a <= b for a, b in ends):
            return "windows that do not go from an earlier to a later microsecond"
    if len({f.item for f in said}) < len(said):
        return "two findings about one item"
    return ""
