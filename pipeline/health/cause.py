"""A likely cause that can be tested: on the signals of the finding's windows, or by another finding of the vehicle.

A rule lists its causes in words. Where a signal or another rule can tell, the word carries a test:

    causes=(
        Cause("The pack opened its charge switch", reads_in("contactor_state", "open", "fault")),
        Cause("A loose power connector"),                       # nothing recorded can tell: only the bench can

The test is asked by whoever writes the page, not by the rule: a finding stands by what it measured, whatever its cause.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.vehicle.figures import MissingFigureError
from herdbook.pipeline.vehicle.signals import Signals

if TYPE_CHECKING:
    from herdbook.pipeline.health.rule import Record


class Standing(StrEnum):
    """open: the record speaks neither for nor against it. not seen: what would show it was looked for where it should
    be, and is not there; it may be there all the same. contradicted: what was recorded excludes it physically."""

    SUPPORTED = "supported"
    OPEN = "open"
    NOT_RECORDED = "not recorded"
    NOT_SEEN = "not seen"
    CONTRADICTED = "contradicted"


# In which order causes are listed. What nothing can tell stands before what was looked for in vain.
PLACE = {
    Standing.SUPPORTED: 0,
    Standing.OPEN: 1,
    Standing.NOT_RECORDED: 1,
    Standing.NOT_SEEN: 2,
    Standing.CONTRADICTED: 3,
}


@dataclass(frozen=True, slots=True)
class Seen:
    """What the record says of a cause: a sentence with numbers, and the sample it rests on (t microseconds UTC, role
    and item), where there is one. rule: the finding it rests on, for a cause told by another finding."""

    standing: Standing
    words: str = ""
    t: int | None = None
    role: str = ""
    item: str = ""
    rule: str = ""


@dataclass(frozen=True, slots=True)
class Episode:
    """One window of a finding: the signals around it, and where the window itself lies, microseconds UTC. cut: it goes
    on after `end`, where nothing was looked at."""

    signals: Signals
    start: int
    end: int
    cut: bool = False


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a test may look at. item: of the finding. found: items by rule that has findings on this vehicle; refused:
    rules that could not judge it. bits: what the bits of a fault word mean, by (role, item). record: the figures the
    rules judge by, None where they are not at hand. spans: first and last moment of every window of the finding,
    microseconds UTC; others: those of the other findings, by rule."""

    episodes: Sequence[Episode]
    item: str = ""
    found: Mapping[str, frozenset[str]] = field(default_factory=dict)
    refused: frozenset[str] = frozenset()
    bits: Mapping[tuple[str, int | str], Mapping[int, str]] = field(default_factory=dict)
    record: Record | None = None
    spans: Sequence[tuple[int, int]] = ()
    others: Mapping[str, Sequence[tuple[int, int]]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CauseTest:
    """roles: that judge needs around the windows."""

    roles: tuple[str, ...]
    judge: Callable[[Evidence], Seen]


class Cause(str):
    """A cause in words; test is None where nothing recorded can tell."""

    __slots__ = ("test",)
    test: CauseTest | None

    def __new__(cls, words: str, test: CauseTest | None = None) -> Cause:
        made = super().__new__(cls, words)
        made.test = test
        return made

    def __reduce__(self) -> tuple[Any, ...]:
        return str, (str(self),)  # elsewhere it is only words


def judged(cause: str, evidence: Evidence) -> Seen:
    """What the record says of one cause of a rule, or which figure its test needs and the profile does not give."""
    test = getattr(cause, "test", None)
    try:
        return Seen(Standing.OPEN) if test is None else test.judge(evidence)
    except MissingFigureError as error:
        return Seen(Standing.OPEN, str(error.args[0]))


def in_order(causes: Sequence[str], evidence: Evidence) -> list[tuple[str, Seen]]:
    """The causes of a finding, what speaks for them first, what is contradicted last; else as the rule lists them."""
    seen = [(str(cause), judged(cause, evidence)) for cause in causes]
    return sorted(seen, key=lambda pair: PLACE[pair[1].standing])
