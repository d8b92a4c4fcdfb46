"""What a metric set is and what it returns. One file a set; the folder is the registry (see __init__)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals


@dataclass(frozen=True, slots=True)
class Outcome:
    metrics: tuple[Metric, ...] = ()
    events: tuple[Event, ...] = ()


class Subject(StrEnum):
    """What a set is about; the dossier shows figures by subject, in this order."""

    CELLS = "Cell groups"
    PACK = "Pack and charging"
    HEAT = "Heat"
    BRAKING = "Braking"
    DRIVE = "Drive and link"
    USE = "Data and use"


Compute = Callable[[Session, Signals, Profile], Outcome]


@dataclass(frozen=True, slots=True)
class MetricSet:
    """needs: roles without which the set has nothing to say (it is then skipped, and what it would have given is
    simply absent: absent is never healthy). figures: of the profile, likewise, as "pack.rated_ah". kinds: session kinds
    it applies to. gives: every metric name it may return, with unit and meaning; a test holds it to that."""

    id: str
    subject: Subject
    needs: tuple[str, ...]
    kinds: tuple[str, ...]
    compute: Compute
    gives: dict[str, tuple[str, str]]
    source: str
    figures: tuple[str, ...] = ()
    flat_only: bool = False  # read on a flat middle of the open-circuit curve: nothing to say of a chemistry without
    version: int = 1  # raised by hand when its numbers come out differently: stored sessions are then measured again
    of_pack: bool | None = None  # measured once a pack where several stand side by side; None: as its subject is

    @property
    def each_pack(self) -> bool:
        """Does it speak of one pack, so that each of several is measured by itself?"""
        return self.subject in (Subject.CELLS, Subject.PACK) if self.of_pack is None else self.of_pack
