"""What a log format hands in, a Reader, and what its reading says besides frames: clock, date, losses."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Literal

from herdbook.decoders.frames import Frames
from herdbook.decoders.reading.source import Source

Clock = Literal["utc", "relative"]
MAX_LOSSES = 1000
ABSOLUTE_US = 100_000_000_000_000  # a first stamp past March 1973 is a date; before it, time since some start


@dataclass(frozen=True, slots=True)
class Loss:
    """Bytes that gave no frame.

    kind: "line" garbage in a text log, "record" a damaged piece of a container, "cut" the file ends inside one,
        "limit" something claims to be larger than we follow, "rest" all further losses after the first thousand.
    offset: counts from the start of the file, for .gz and UTF-16 from the start of the unpacked content.
    """

    kind: str
    offset: int
    bytes: int
    detail: str


@dataclass(slots=True)
class Account:
    """What a reader says about its file besides frames. wall: the header's date when it has no zone."""

    clock: Clock = "utc"
    wall: str = ""
    losses: list[Loss] = field(default_factory=list)
    _clock_told: bool = False

    def lose(self, kind: str, offset: int, length: int, detail: str) -> None:
        """Record a loss; neighbours of the same kind become one, and the list stays short."""
        last = self.losses[-1] if self.losses else None
        if last and last.kind == kind and last.offset + last.bytes == offset:
            self.losses[-1] = Loss(kind, last.offset, last.bytes + length, last.detail)
        elif len(self.losses) < MAX_LOSSES:
            self.losses.append(Loss(kind, offset, length, detail))
        elif last:
            self.losses[-1] = Loss("rest", last.offset, last.bytes + length, "further losses")

    def take(self, losses: Iterable[Loss]) -> None:
        """Those of the stretch of the file behind what was accounted for so far."""
        for loss in losses:
            self.lose(loss.kind, loss.offset, loss.bytes, loss.detail)

    def tell_clock(self, frames: Frames) -> None:
        """By the first frame of the log, for formats whose stamps alone say which clock they are of."""
        if not self._clock_told and len(frames):
            self.clock = "utc" if int(frames.t[0]) >= ABSOLUTE_US else "relative"
            self._clock_told = True


@dataclass(frozen=True, slots=True)
class Reader:
    """One log format.

    looks: whether the head of the unpacked content (4096 bytes, every line end a newline) is of this format.
    read: yields Frames of bounded size and keeps the account; it sets account.clock before its first Frames.
    rest: asked only when no other reader recognises the file.
    apart: a line says all about itself, so that stretches of a file can be read apart (reading/stretches.py).
    """

    name: str
    looks: Callable[[bytes], bool]
    read: Callable[[Source, Account], Iterator[Frames]]
    rest: bool = False
    apart: bool = False
