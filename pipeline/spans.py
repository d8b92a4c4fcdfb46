"""Which stretches does a span of time touch? Found by search, so that a long record costs no more than its length."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from itertools import accumulate

Window = tuple[int, int]


class Touching:
    """Windows (start, end excluded), in any order and overlapping or not; microseconds."""

    def __init__(self, windows: Iterable[Window]) -> None:
        self.windows = sorted(windows)
        self.starts = [a for a, _ in self.windows]
        self.reach = list(accumulate((b for _, b in self.windows), max))  # rises, also where windows overlap

    def of(self, span: Window) -> list[Window]:
        """Windows that a span (both ends in) touches, in order."""
        first, last = bisect_right(self.reach, span[0]), bisect_right(self.starts, span[1])
        return [w for w in self.windows[first:last] if w[1] > span[0]]
