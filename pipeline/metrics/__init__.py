"""The metric sets: one file a set, each ending in `SET = MetricSet(...)`; the folder is the registry.

Start at measure(). A set turns one session's signals into numbers with unit, error and coverage; it knows no store and
no rules. A set whose roles or figures the vehicle lacks is skipped: what it would have given is absent, never zero.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from importlib import import_module
from itertools import chain
from pkgutil import iter_modules

from herdbook.pipeline.metrics.set import MetricSet, Outcome
from herdbook.pipeline.vehicle.figures import MissingFigureError
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

__all__ = ["all_sets", "measure", "measured"]

_NOT_A_SET = {"set"}


@cache
def all_sets() -> dict[str, MetricSet]:
    """Every metric set by its id, in order of file name. Raises: ValueError when two files claim one id."""
    sets: dict[str, MetricSet] = {}
    for name in sorted(m.name for m in iter_modules(__path__) if not m.ispkg):
        if name in _NOT_A_SET:
            continue
        found: MetricSet = import_module(f"{__name__}.{name}").SET
        if found.id in sets:
            raise ValueError(f"pipeline/metrics/{name}.py: id {found.id!r} is taken by another file")
        sets[found.id] = found
    return sets


def measure(
    session: Session, signals: Signals, profile: Profile, own: Mapping[str, MetricSet] | None = None
) -> Outcome:
    """All metrics and events of one session, from every set that applies to it.

    signals: the session's own stretch of time; it is cut to it when it reaches further. own: further sets, of a store.
    """
    return measured(chain(all_sets().values(), (own or {}).values()), session, signals, profile)


def measured(sets: Iterable[MetricSet], session: Session, signals: Signals, profile: Profile) -> Outcome:
    """The same from these sets alone."""
    if signals.start < session.start or signals.end > session.end:
        signals = signals.between(max(session.start, signals.start), min(session.end, signals.end))
    signals = signals.remembering()
    metrics: list[Metric] = []
    events: list[Event] = []
    for metric_set in sets:
        if metric_set.flat_only and not profile.pack_figures.of_chemistry.flat:
            continue
        if session.kind in metric_set.kinds and signals.has(*metric_set.needs):
            try:
                outcome = metric_set.compute(session, signals, profile)
            except MissingFigureError:
                continue  # the rules that need it say so
            metrics += outcome.metrics
            events += outcome.events
    return Outcome(tuple(metrics), tuple(events))
