"""Take one long log in by several processes: looked at, decoded stretch by stretch, written by one of them.

What comes of it is what take_log() makes of the log, to the byte. A log that cannot be cut, or in which something is
met that only one reading of the whole can tell, is left to take_log(): look_at() returns None, others raise
NotApartError.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from herdbook.decoders import Loss, Network, open_log
from herdbook.decoders.log import LogStretch
from herdbook.decoders.reading.reader import Account
from herdbook.decoders.reading.stretches import Printed, Stretch, printed
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.intake.decode_log import DecodedStretch, LogDecoding, WrittenPart
from herdbook.pipeline.intake.inbox import stamp_of
from herdbook.pipeline.intake.outcome import LogFile, Outcome
from herdbook.pipeline.intake.take_log import Decided, ReplacedError, decide, into_the_lake, what_became
from herdbook.pipeline.lake.place import writing
from herdbook.pipeline.store.store import Store

TOO_LONG = "limit"  # a loss of this kind moves the reader's blocks


class NotApartError(Exception):
    """The log has to be read as a whole."""


@dataclass(frozen=True, slots=True)
class LongLog:
    """A log that can be cut, and what was decided of it. folder: where the tables of its stretches are to lie."""

    path: Path
    file: LogFile
    format: str
    decided: Decided
    stretches: tuple[Stretch, ...]
    folder: Path


@dataclass(frozen=True, slots=True)
class ReadStretch:
    """sums: of the bytes that were decoded."""

    decoded: DecodedStretch
    losses: tuple[Loss, ...]
    sums: tuple[int, int]


def look_at(store: Store, path: Path, now: int, size: int) -> LongLog | None:
    """size: bytes of a stretch. None when it has to be read as a whole, or cannot be used: then take_log() says why.
    Raises: StoreError."""
    try:
        file = LogFile(str(path), path.name, *stamp_of(path))
        opened = open_log(path)
        cut = opened.stretches(size)
        if len(cut) < 2:
            return None
        decided, _ = decide(path, opened, opened.chunks(), store, profiles=store.profiles(), now=now)
        if not _by_frame(decided.profile.network()):
            return None
        with writing(store.lake):
            store.scratch.mkdir(parents=True, exist_ok=True)
            folder = Path(tempfile.mkdtemp(dir=store.scratch, prefix=".take-"))
    except StoreError:
        raise
    except Exception:
        return None
    return LongLog(path, file, opened.format, decided, tuple(cut), folder)


def _by_frame(network: Network) -> bool:
    """Whether a frame is decoded by itself, and rows of one time in one table are of one message."""
    names = Counter(m.name for m in network.messages)
    return not network.carries_long and max(names.values(), default=0) < 2


def print_of(long: LongLog) -> Printed:
    return printed(long.path, long.stretches)


def read_stretch(store: Store, long: LongLog, stretch: Stretch) -> ReadStretch:
    """Raises: NotApartError; InputError, OSError, StoreError."""
    read = LogStretch(long.path, long.format, stretch)
    with LogDecoding(store, long.decided.profile, long.decided.placed.shift, long.folder) as decoding:
        for frames in read.chunks():
            decoding.add(frames)
        if any(loss.kind == TOO_LONG for loss in read.losses):
            raise NotApartError
        return ReadStretch(decoding.decoded(), tuple(read.losses), read.sums)


def put_together(store: Store, long: LongLog, whole: Printed, parts: Sequence[ReadStretch]) -> Outcome:
    """The log's part. parts: all stretches, in order. Raises: NotApartError; StoreError."""
    file = replace(long.file, log=whole.sha256)
    try:
        if [part.sums for part in parts] != list(whole.sums):
            raise ReplacedError

        def write(target: Path) -> WrittenPart:
            with LogDecoding(store, long.decided.profile, long.decided.placed.shift) as decoding:
                for part in parts:
                    decoding.follow(part.decoded)
                return decoding.write(target, file.log, long.format, list(_losses(parts)), beside=True)

        return into_the_lake(file, store, long.decided, write)
    except OverflowError:
        raise NotApartError from None
    except Exception as error:
        return what_became(file, error, long.decided.now)


def _losses(parts: Sequence[ReadStretch]) -> Iterator[Loss]:
    account = Account()
    for part in parts:
        account.take(part.losses)
    yield from account.losses
