"""Since when something is so: what began lately is not to be diluted by what came before.

Of all stretches that reach to the newest row and begin with a session, the one in which so many hits are least likely
by chance; the chance pays for every place that was tried.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.science.binomial import tail


@dataclass(frozen=True, slots=True)
class Stretch:
    """rows: from its first to the newest; hit: those of them that are hits; before: how many rows came before; chance:
    of so many hits at the usual share, times the places tried, at most 1."""

    rows: pl.DataFrame
    hit: pl.DataFrame
    before: int
    chance: float


def newest_stretch(rows: pl.DataFrame, hit: Bools, usual: float, session: str = "session_start_t") -> Stretch:
    """rows in time order; hit: which of them are; usual: share of hits that chance alone may give."""
    starts = rows[session].to_numpy()
    cuts = np.flatnonzero(np.concatenate(([True], starts[1:] != starts[:-1]))) if starts.size else np.zeros(1, np.intp)
    hits = np.concatenate((np.cumsum(hit[::-1])[::-1], [0]))
    best, chance = 0, 1.0
    for cut in cuts.tolist():
        now = tail(int(hits[cut]), rows.height - cut, usual)
        if now < chance:
            best, chance = cut, now
    kept = rows.slice(best)
    return Stretch(kept, kept.filter(pl.Series(hit[best:], dtype=pl.Boolean)), best, min(1.0, chance * len(cuts)))


@dataclass(frozen=True, slots=True)
class Level:
    """value and se: pooled over the sessions from `first` to the newest; chance: that it lies no further than the
    limit, times the places tried, at most 1."""

    first: int
    value: float
    se: float
    chance: float


def newest_level(values: Floats, ses: Floats, limit: float, least: int = 2) -> Level | None:
    """The stretch of sessions, up to the newest, whose pooled value is most surely over the limit; of `least` sessions
    at least, or of all there are. values in time order with their standard errors; None when there are none."""
    if not values.size:
        return None
    best: Level | None = None
    tried = max(values.size - least + 1, 1)
    for first in range(tried):
        value, se = pool(values[first:], ses[first:])
        chance = min(1.0, tried * (1.0 - NormalDist().cdf((value - limit) / max(se, 1e-12))))
        if best is None or chance < best.chance:
            best = Level(first, value, se, chance)
    return best
