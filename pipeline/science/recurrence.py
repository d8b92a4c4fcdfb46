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
    times = np.unique(np.concatenate([*own, np.empty(0)]))
    watch = (entry[:, None] < times[None, :]) & (exit[:, None] >= times[None, :])
    watched = watch.sum(axis=0)
    counts = np.stack([_counts(e, times) for e in own]) if own else np.empty((0, times.size))
    step = counts.sum(axis=0) / np.maximum(watched, 1)
    each = np.cumsum(np.where(watch, (counts - step) / np.maximum(watched, 1), 0.0), axis=1)
    return MeanCumulative(times, watched, np.cumsum(step), np.sqrt(np.sum(each**2, axis=0)))


def _counts(events: Floats, times: Floats) -> Floats:
    found = np.zeros(times.size)
    np.add.at(found, np.searchsorted(times, events), 1)
    return found
