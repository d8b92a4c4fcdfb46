"""How often something that can happen again has happened, on average, by an age: the mean cumulative function.

Source: W. Nelson, Technometrics 37 (1995) 147; robust variance: J. F. Lawless and C. Nadeau, Technometrics 37 (1995)
158. No model of the single event is needed, and events of one unit may hang together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Integers

Z95 = 1.959963984540054
BLOCK = 500  # units at a time: the table of units by times of a large herd fits no memory


@dataclass(frozen=True, slots=True)
class MeanCumulative:
    """At each time of an event: units under watch, the mean number of events of a unit by then, its standard error, and
    its 95 % interval on the log scale (which cannot go under 0)."""

    times: Floats
    watched: Integers
    mean: Floats
    se: Floats

    @property
    def low(self) -> Floats:
        return self.mean * np.exp(-Z95 * self.se / self.mean)

    @property
    def high(self) -> Floats:
        return self.mean * np.exp(Z95 * self.se / self.mean)


def mean_cumulative(entry: Floats, exit: Floats, events: Sequence[Floats]) -> MeanCumulative:
    """entry, exit: of each unit, between which it was under watch. events: times of each unit's events; those that do
    not lie within its watch do not count."""
    own = [e[(e > a) & (e <= b)] for e, a, b in zip(events, entry, exit, strict=True)]
    every = np.concatenate([*own, np.empty(0)])
    times = np.unique(every)
    began = np.searchsorted(np.sort(entry), times, side="left")
    watched = began - np.searchsorted(np.sort(exit), times, side="left")
    step = _counts(every, times) / np.maximum(watched, 1)
    square = np.zeros(times.size)
    for first in range(0, len(own), BLOCK):
        part = slice(first, first + BLOCK)
        watch = (entry[part, None] < times[None, :]) & (exit[part, None] >= times[None, :])
        counts = np.stack([_counts(e, times) for e in own[part]])
        each = np.cumsum(np.where(watch, (counts - step) / np.maximum(watched, 1), 0.0), axis=1)
        square += np.sum(each**2, axis=0)
    return MeanCumulative(times, watched.astype(np.int64), np.cumsum(step), np.sqrt(square))


def _counts(events: Floats, times: Floats) -> Floats:
    found = np.zeros(times.size)
    np.add.at(found, np.searchsorted(times, events), 1)
    return found
