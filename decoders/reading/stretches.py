"""Stretches of a long text log that are read apart, each by whoever has time, and say together what one reading says.

A stretch begins where a block of Source.blocks() begins: behind the last line end before a multiple of BLOCK_BYTES. So
its blocks are the very blocks that a reader of the whole file is given, and nothing that looks at a block notices.

    ....\\n......|.....\\n......    | a multiple of BLOCK_BYTES
          ^start ^fresh            between them is what the stretch before leaves over
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from herdbook.decoders.reading.inflate import crc32
from herdbook.decoders.reading.source import BLOCK_BYTES, MAX_LINE, Lose, Source


@dataclass(frozen=True, slots=True)
class Stretch:
    """Bytes start to end of a plain file. last: the file ends here."""

    start: int
    fresh: int
    end: int
    last: bool


@dataclass(frozen=True, slots=True)
class Printed:
    """What tells whether the same bytes were read: SHA-256 of the file, and two check sums a stretch."""

    sha256: str
    sums: tuple[tuple[int, int], ...]


def stretches(path: Path, size: int) -> list[Stretch]:
    """A file cut into stretches of about so many bytes, in order; one where it cannot be cut.

    The last one has a block in front of its last block: by that a reader judges a line that may be cut off.
    """
    step = max(1, size // BLOCK_BYTES) * BLOCK_BYTES
    begins = [(0, 0)]
    with path.open("rb", buffering=0) as file:
        length = os.fstat(file.fileno()).st_size
        for fresh in range(step, length - 2 * BLOCK_BYTES, step):
            file.seek(fresh - MAX_LINE)
            before = file.read(MAX_LINE)
            if (end := max(before.rfind(b"\n"), before.rfind(b"\r"))) >= 0:
                begins.append((fresh - MAX_LINE + end + 1, fresh))
    ends = [fresh for _, fresh in begins[1:]] + [length]
    return [Stretch(start, fresh, end, end == length) for (start, fresh), end in zip(begins, ends, strict=True)]


def printed(path: Path, cut: Sequence[Stretch]) -> Printed:
    """Of all stretches of a file, read once."""
    whole, sums = hashlib.sha256(), []
    with path.open("rb", buffering=0) as file:
        before = b""
        for stretch in cut:
            over = crc32(before[len(before) - (stretch.fresh - stretch.start) :])
            rest = 0
            while file.tell() < stretch.end and (piece := file.read(min(BLOCK_BYTES, stretch.end - file.tell()))):
                whole.update(piece)
                rest, before = crc32(piece, rest), piece
            sums.append((over, rest))
    return Printed(whole.hexdigest(), tuple(sums))


class StretchSource(Source):
    """The bytes of one stretch. sums: of what was read so far, as printed() gives them."""

    def __init__(self, path: Path, stretch: Stretch, lose: Lose) -> None:
        self._left, self.sums = BLOCK_BYTES, (0, 0)  # a Source looks at the head of its file
        super().__init__(path, lose)
        self.file.seek(stretch.start)
        self._begun = self.file.read(stretch.fresh - stretch.start)
        self.offset, self._held, self._stream = stretch.fresh, b"", self._plain()
        self._left, self._goes_on = stretch.end - stretch.fresh, not stretch.last
        self.sums = crc32(self._begun), 0

    def read_into(self, room: memoryview) -> int:
        done = super().read_into(room[: self._left])
        return self._took(room[:done])

    def _plain(self) -> Iterator[bytes]:
        while self._left and (piece := self.file.read(min(BLOCK_BYTES, self._left))):
            self._took(memoryview(piece))
            yield piece

    def _took(self, piece: memoryview) -> int:
        self._left -= len(piece)
        if piece:
            self.sums = self.sums[0], crc32(piece, self.sums[1])
        return len(piece)
