"""Variable-length data of a measurement file: entries of a length u32 and bytes, found by their offset."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from herdbook.decoders.arrays import I64, Bytes
from herdbook.decoders.formats.mf4.blocks import Broken

MAX_HELD = 1 << 26  # bytes kept while entries are asked for in order
EDGE = 72


class Variable:
    """Entries in the order of their offsets, held only as far as the records at hand need them."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces = pieces
        self._held = b""
        self._from = 0

    def take(self, offsets: I64, width: int) -> Bytes:
        """The first `width` bytes of the entries at some offsets, uint8 (n, width). Raises: Broken."""
        if not len(offsets):
            return np.zeros((0, width), np.uint8)
        low, high = int(offsets.min()), int(offsets.max())
        if low < self._from:
            raise Broken("variable-length data is not in the order of the records")
        self._held = self._held[low - self._from :] if low - self._from <= len(self._held) else self._held
        self._from = low if len(self._held) else self._from
        while self._from + len(self._held) < high + 4 + width and (piece := next(self._pieces, b"")):
            self._held += piece
            if len(self._held) > MAX_HELD:
                raise Broken("variable-length data is too far apart")
        if high + 4 > self._from + len(self._held):
            raise Broken(f"an entry at {high} past the end of the variable-length data")
        data = np.frombuffer(self._held + b"\0" * EDGE, np.uint8)
        return np.asarray(data[(offsets - self._from + 4)[:, None] + np.arange(width)])
