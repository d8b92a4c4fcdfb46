"""Log: one file of frames, opened by content, read in bounded pieces; says what could not be read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import Literal

import numpy as np

from herdbook.decoders.errors import LogFormatError, UnknownLogError
from herdbook.decoders.frames import Frames
from herdbook.decoders.logs.rows import Labels, Rows, widened
from herdbook.decoders.logs.source import Source

Clock = Literal["utc", "relative"]
HEAD_BYTES = 4096
MAX_LOSSES = 1000
ABSOLUTE_US = 100_000_000_000_000  # a first stamp past March 1973 is a date; before it, time since some start


@dataclass(frozen=True, slots=True)
class Loss:
    """Bytes that gave no frame. offset counts from the start of the file, of the unpacked content for .gz
    and UTF-16.

    kind: "line" garbage in a text log, "record" a damaged piece of a container, "cut" the file ends inside
    one, "limit" something claims to be larger than we follow, "rest" all further losses after the first
    thousand.
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

    def lose(self, kind: str, offset: int, length: int, detail: str) -> None:
        """Record a loss; neighbours of the same kind become one, and the list stays short."""
        last = self.losses[-1] if self.losses else None
        if last and last.kind == kind and last.offset + last.bytes == offset:
            self.losses[-1] = Loss(kind, last.offset, last.bytes + length, last.detail)
        elif len(self.losses) < MAX_LOSSES:
            self.losses.append(Loss(kind, offset, length, detail))
        elif last:
            self.losses[-1] = Loss("rest", last.offset, last.bytes + length, "further losses")


@dataclass(frozen=True, slots=True)
class Reader:
    """One log format. looks: whether the first HEAD_BYTES of the unpacked content are of this format.

    read: yields Frames of bounded size and keeps the account; it sets account.clock before its first Frames.
    """

    name: str
    looks: Callable[[bytes], bool]
    read: Callable[[Source, Account], Iterator[Frames]]
    rest: bool = False  # asked only when no other reader recognises the file


class Log:
    """An opened log: format, clock, wall, chunks() once, then losses.

    clock: "utc" or "relative". wall: the header's date when the format gives one without a zone, else "".
    """

    def __init__(self, path: Path, reader: Reader, source: Source) -> None:
        self.path = path
        self.format = reader.name + (".gz" if source.packed else "")
        self._account = source.account = Account()
        self._pieces = reader.read(source, self._account)
        self._first = next((frames for frames in self._pieces if len(frames)), None)  # by then the clock is known

    @property
    def clock(self) -> Clock:
        return self._account.clock

    @property
    def wall(self) -> str:
        return self._account.wall

    @property
    def losses(self) -> list[Loss]:
        return list(self._account.losses)

    def chunks(self) -> Iterator[Frames]:
        """Frames in file order, once; never an empty batch."""
        first, self._first = self._first, None
        for frames in chain([first] if first is not None else [], self._pieces):
            if len(frames):
                yield frames


def open_log(path: str | Path, data: bytes | None = None) -> Log:
    """Recognise a log by its content and open it.

    data: the bytes of the file, where the caller has read it already; libraries that seek still go by the path.

    Raises: UnknownLogError when no reader, or more than one, recognises it; LogFormatError when it cannot be
    opened.
    """
    from herdbook.decoders.formats import all_readers

    path = Path(path)
    try:
        source = Source(path, data)
        head = source.peek(HEAD_BYTES)
    except OSError as e:
        raise LogFormatError(f"{path}: {e.strerror or e}. Check the path and its permissions.") from None
    if source.trouble and not head:
        raise LogFormatError(f"{path.name}: {source.trouble[1]}, and nothing before it can be read.")
    if not head:
        raise UnknownLogError(f"{path.name}: the file is empty. Ask for it again where it came from.")
    head = head.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    readers = all_readers()
    matches = [r for r in readers.values() if not r.rest and r.looks(head)]
    matches = matches or [r for r in readers.values() if r.rest and r.looks(head)]
    if len(matches) != 1:
        said = f"{' and '.join(r.name for r in matches)} both claim" if matches else "no reader recognises"
        raise UnknownLogError(
            f"{path.name}: {said} the content. Known formats: "
            f"{', '.join(sorted(r.name for r in readers.values()))}; each also .gz."
        )
    return Log(path, matches[0], source)


def read_frames(path: str | Path) -> Frames:
    """All frames of one log at once; for logs larger than memory take open_log(path).chunks()."""
    return join_frames(list(open_log(path).chunks()))


def join_frames(pieces: list[Frames]) -> Frames:
    """One batch out of several, in order; channels are numbered anew by label."""
    labels = tuple(dict.fromkeys(label for p in pieces for label in p.channels))
    width = max((p.payload.shape[1] for p in pieces), default=8)
    pieces = pieces or [Rows(0).frames(Labels())]
    maps = [np.array([labels.index(c) for c in p.channels] or [0], np.uint8) for p in pieces]
    return Frames(
        t=np.concatenate([p.t for p in pieces]),
        channel=np.concatenate(
            [
                p.channel if p.channels == labels[: len(p.channels)] else m[p.channel]
                for m, p in zip(maps, pieces, strict=True)
            ]
        ),
        can_id=np.concatenate([p.can_id for p in pieces]),
        flags=np.concatenate([p.flags for p in pieces]),
        length=np.concatenate([p.length for p in pieces]),
        payload=np.concatenate([widened(p.payload, width) for p in pieces]),
        channels=labels,
    )
