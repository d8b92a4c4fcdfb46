"""Times between frames of a message, kept for their median: every one counts, however long the log is.

Past a hundred thousand they are kept as values with counts. There are few values: k of them, in whole microseconds,
take a log of k^2 / 2 microseconds at least, so that a day has no more than 420,000.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from herdbook.decoders.arrays import I64

MOST = 1 << 17  # kept one by one; engineering choice


@dataclass(slots=True)
class Spacings:
    """add() them in any order, then quantile()."""

    single: list[I64] = field(default_factory=list)
    kept: int = 0
    values: I64 = field(default_factory=lambda: np.empty(0, np.int64))
    counts: I64 = field(default_factory=lambda: np.empty(0, np.int64))

    def add(self, some: I64) -> None:
        """some: microseconds, (n,)."""
        self.single.append(some)
        self.kept += len(some)
        if self.kept > MOST:
            self.fold()

    def fold(self) -> None:
        """Count those that are kept one by one."""
        if not self.kept:
            return
        values, counts = np.unique(np.concatenate(self.single), return_counts=True)
        self.single, self.kept = [], 0
        self._count(values, counts.astype(np.int64))

    def join(self, other: Spacings) -> None:
        """With those of another, whatever their order."""
        for some in other.single:
            self.add(some)
        if len(other.values):
            self._count(other.values, other.counts)

    def _count(self, values: I64, counts: I64) -> None:
        both = np.concatenate((self.values, values))
        self.values, place = np.unique(both, return_inverse=True)
        weights = np.concatenate((self.counts, counts))
        order = np.argsort(place, kind="stable")
        self.counts = np.add.reduceat(weights[order], np.searchsorted(place[order], np.arange(len(self.values))))

    def quantile(self, *shares: float) -> list[float | None]:
        """As np.quantile, to the last bit; None without any."""
        if not len(self.values):
            ordered = np.sort(np.concatenate(self.single)) if self.kept else np.empty(0, np.int64)
            n, place = len(ordered), None
        else:
            self.fold()
            ordered, place = self.values, np.cumsum(self.counts)
            n = int(place[-1])

        def at(i: int) -> int:
            return int(ordered[i if place is None else int(np.searchsorted(place, i, side="right"))])

        return [_between(at, n, q) if n else None for q in shares]


def _between(at: Callable[[int], int], n: int, q: float) -> float:
    place = (n - 1) * q
    low, high = at(int(place)), at(min(int(place) + 1, n - 1))
    share = place - int(place)
    return low + (high - low) * share if share < 0.5 else high - (high - low) * (1 - share)
