"""What a kind of step is: how it is recognised in a log by roles, and what may be measured in it.

One kind a file in steps/; the folder is the registry.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from herdbook.pipeline.vehicle.figures import Figures
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.signals import Signals

Span = tuple[int, int]  # microseconds UTC, end excluded


@dataclass(frozen=True, slots=True)
class Scene:
    """A session of the unit in which steps are looked for. kind: ride, charge or rest. bench: its log says that the
    unit stood on a bench or stand. cut: which of its logs are cut or damaged, in words; "" when none is."""

    kind: str
    bench: bool
    signals: Signals
    profile: Profile
    cut: str = ""

    @property
    def span(self) -> Span:
        return self.signals.start, self.signals.end


class Taken(StrEnum):
    """What is measured where a step is found several times."""

    LONGEST = "the longest one"
    EACH = "each by itself, the mean of all counts"


@dataclass(frozen=True, slots=True)
class StepKind:
    """id: as a plan writes it, and the file's name. words: "a rest". sought: what was looked for, for the message when
    it is not found. session: the kind of session by which metric sets measure in it. roles: without which it is not
    recognised, one of each row. keys: its own keys of a plan. find: (scene, keys) -> where it is."""

    id: str
    words: str
    sought: str
    session: str
    roles: tuple[tuple[str, ...], ...]
    keys: type[Figures]
    find: Callable[[Scene, Any], list[Span]]
    taken: Taken = Taken.LONGEST
    logged: bool = True  # False: not from a log at all


def seconds(span: Span) -> float:
    return (span[1] - span[0]) / 1e6
