"""What a metric set is and what it returns. One file a set; the folder is the registry (see __init__)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.signals import Signals


@dataclass(frozen=True, slots=True)
class Metric:
    """A number about a session. item: "" or the index it belongs to ("7", "left"). se: standard error in `unit`,
    None when it has none (a count). n: samples or events behind it. coverage: share 0..1 of the time it needed
    that was really recorded."""

    name: str
    value: float
    unit: str
    se: float | None = None
    n: int = 0
    coverage: float = 1.0
    item: str = ""


@dataclass(frozen=True, slots=True)
class Event:
    """Something with a beginning and an end inside a session (a braking, a current step, a hot stretch).
    start, end: microseconds UTC. data: numbers by unit-bearing name (`demand_pct`, `shortfall_a`)."""

    kind: str
    start: int
    end: int
    item: str = ""
    data: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Session:
    """A stretch of one vehicle's time; kind is ride, charge, rest or bench. start, end: microseconds UTC."""

    vehicle: str
    kind: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Outcome:
    metrics: tuple[Metric, ...] = ()
    events: tuple[Event, ...] = ()


Compute = Callable[[Session, Signals, Profile], Outcome]


@dataclass(frozen=True, slots=True)
class MetricSet:
    """needs: roles without which the set has nothing to say (it is then skipped, and what it would have given is
    simply absent: absent is never healthy). kinds: session kinds it applies to. gives: every metric name it may return,
    with unit and meaning; a test holds it to that."""

    id: str
    needs: tuple[str, ...]
    kinds: tuple[str, ...]
    compute: Compute
    gives: dict[str, tuple[str, str]]
    source: str
    version: int = 1  # raised by hand when its numbers come out differently: stored sessions are then measured again
