"""Log: one file of frames, opened by content, read in bounded pieces; says what could not be read."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from pathlib import Path

from herdbook.decoders.errors import LogFormatError, UnknownLogError
from herdbook.decoders.formats import all_readers
from herdbook.decoders.frames import Frames, join_frames
from herdbook.decoders.reading.reader import Account, Clock, Loss, Reader
from herdbook.decoders.reading.source import Source
from herdbook.decoders.reading.stretches import Stretch, StretchSource, stretches

HEAD_BYTES = 4096


class Log:
    """An opened log: format, clock, wall, chunks() once, then losses.

    clock: "utc" or "relative". wall: the header's date when the format gives one without a zone, else "".
    """

    def __init__(self, path: Path, reader: Reader, source: Source, account: Account) -> None:
        self.path = path
        self.format = reader.name + (".gz" if source.packed else "")
        self._account = account
        self._apart = reader.apart and source.plain
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

    def stretches(self, size: int) -> list[Stretch]:
        """Stretches of about so many bytes that LogStretch reads to the same frames, in any process; fewer than two: it
        is not cut."""
        return stretches(self.path, size) if self._apart else []

    def chunks(self) -> Iterator[Frames]:
        """Frames in file order, once; never an empty batch."""
        first, self._first = self._first, None
        for frames in chain([first] if first is not None else [], self._pieces):
            if len(frames):
                yield frames


class LogStretch(Log):
    """Frames of one stretch of a log. sums: of the bytes that were read, to be compared with stretches.printed()."""

    def __init__(self, path: Path, format: str, stretch: Stretch) -> None:
        account = Account()
        self._own = StretchSource(path, stretch, account.lose)
        super().__init__(path, all_readers()[format], self._own, account)

    @property
    def sums(self) -> tuple[int, int]:
        return self._own.sums


def open_log(path: str | Path, data: bytes | None = None, spool: Path | None = None) -> Log:
    """Recognise a log by its content and open it.

    data: the bytes of the file, where the caller has read it already; libraries that seek still go by the path.
    spool: a folder for temporary files, which a packed log of some formats needs; else the system's.

    Raises: UnknownLogError when no reader, or more than one, recognises it; LogFormatError when it does not open.
    """
    path, account = Path(path), Account()
    try:
        source = Source(path, account.lose, data, spool)
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
    return Log(path, matches[0], source, account)


def read_frames(path: str | Path) -> Frames:
    """All frames of one log at once; for logs larger than memory take open_log(path).chunks()."""
    return join_frames(list(open_log(path).chunks()))
