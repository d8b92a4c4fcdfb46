"""What a rule is and what it says. One file a rule under rules/; the folder is the registry (see rules/__init__)."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

import polars as pl

from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.unread import NOTHING, Unread
from herdbook.pipeline.vehicle.chemistry import FIGURES, USUAL, chemistry
from herdbook.pipeline.vehicle.profile import Profile

T = TypeVar("T")
PACK_SUBSYSTEMS = ("cells", "pack", "charging")


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit with unit and reason. `why` names a source, or says `engineering choice` or `common practice`.
    A profile may override it by name in its [limits] table (key: "<rule id>.<name>").
    chemistry: the figure of the pack's chemistry that it is, or ""; `value` is then the usual chemistry's."""

    name: str
    value: float
    unit: str
    why: str
    chemistry: str = ""


def of_chemistry(name: str, figure: str, unit: str = "") -> Limit:
    """A limit that belongs to the pack's chemistry: its value, unit and reason are in the chemistry's file."""
    usual = chemistry(USUAL)
    return Limit(name, getattr(usual, figure), unit or FIGURES[figure][1].unit, usual.source[figure], chemistry=figure)


@dataclass(frozen=True, slots=True)
class Window:
    """Where to look: microseconds UTC."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Finding:
    """A rule's statement. measured against limit, both in unit; se is the standard error of measured.
    item: "" or what it is about ("cell 7", "left"). confidence 0..1: how sure. persistence 0..1: share of the
    opportunities in which it showed. count: times seen; duration_s: how long in all. windows: worst first, at most 10.
    statement: one plain sentence with numbers. not_separable: other causes the data cannot tell apart, with the
    measurement that would ("" when none). signals: roles to draw, most telling first. unsettled: a note because it is
    not sure, or was not measured here; it would be worth more, so that no score stands on it alone. blind: the sensor
    that it is about measures nothing any more."""

    severity: Severity
    item: str
    measured: float
    limit: float
    unit: str
    statement: str
    se: float | None = None
    confidence: float = 1.0
    persistence: float = 1.0
    count: int = 1
    duration_s: float = 0.0
    windows: tuple[Window, ...] = ()
    signals: tuple[str, ...] = ()
    not_separable: str = ""
    unsettled: bool = False
    blind: bool = False


@dataclass(frozen=True, slots=True)
class NotAssessed:
    """The rule could not judge this vehicle, and why."""

    reason: str


@dataclass(frozen=True, slots=True)
class Record:
    """All a rule may look at: one vehicle's sessions, metrics and events as the catalogue keeps them, and its profile.

    sessions: vehicle, kind, start_t, end_t, coverage.  metrics: kind, start_t, end_t (of the session), name, item,
    value, unit, se, n, coverage.  events: session_start_t, kind, item, start_t, end_t, data (list of key/value structs,
    or use `event_table`).  Times are polars Datetime("us", "UTC"), rows in time order.
    reference: fleet figures frozen with the rule set (may be empty): name, item, value, spread, unit, n.
    doubts: roles whose meaning logs contradict, with the reason: rules that read them may not judge.
    left_out: what was measured and is not among the rows, since no rule asks for it."""

    vehicle: str
    profile: Profile
    sessions: pl.DataFrame
    metrics: pl.DataFrame
    events: pl.DataFrame
    reference: pl.DataFrame
    doubts: Mapping[str, str] = field(default_factory=dict)
    left_out: Unread = NOTHING
    memo: dict[Hashable, Any] = field(default_factory=dict, init=False, compare=False, repr=False)

    def once(self, key: Hashable, make: Callable[[], T]) -> T:
        """make(), or what it gave when last asked under this key: forty rules read the same few tables."""
        if key not in self.memo:
            self.memo[key] = make()
        found: T = self.memo[key]
        return found


@dataclass(frozen=True, slots=True)
class Cases:
    """Small records that a rule must fire on, stay quiet on, or refuse."""

    fires_on: tuple[Record, ...]
    quiet_on: tuple[Record, ...]
    unassessed_on: tuple[Record, ...]


Judge = Callable[[Record, Mapping[str, float]], "list[Finding] | NotAssessed"]


@dataclass(frozen=True, slots=True)
class Rule:
    """What a rule needs, judges by, and says. judge gets the record and the limits by name (defaults
    overridden by the profile). roles: all it looks at. must: those that it cannot judge without, "a|b" where one of
    them is enough; empty: all of `roles`. Without them it is not assessed (judgeable.py)."""

    id: str
    title: str
    subsystem: str
    severity: Severity  # the worst it may say
    needs: tuple[str, ...]  # metric names
    roles: tuple[str, ...]
    limits: tuple[Limit, ...]
    judge: Judge
    meaning: str
    causes: tuple[str, ...]
    bench: tuple[str, ...]
    cautions: tuple[str, ...]
    source: str
    cases: Callable[[], Cases]  # made when asked for: a night has no use for them
    must: tuple[str, ...] = ()
    matters: bool = True  # a score waits for it, unless it says no more than notes
    applies: Callable[[Profile], bool] = lambda profile: True  # whether it is a question of such a vehicle at all
    when: tuple[tuple[Severity, str], ...] = ()  # which severity when, the gravest first; () = always `severity`
    habit: str = ""  # what to log so that it can judge; "" for what is usual in its subsystem
    version: int = 1  # raised by hand when it says something else about the same record
    of_pack: bool | None = None  # judged once a pack where several stand side by side; None: as its subsystem is

    @property
    def each_pack(self) -> bool:
        """Is it about one pack, so that each of several is judged by itself? A store's own rules are about the vehicle
        with its first pack: their figures are measured of that alone."""
        return self.subsystem in PACK_SUBSYSTEMS if self.of_pack is None else self.of_pack
