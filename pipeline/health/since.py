"""Since when hits are as many as they are: what began lately is not to be diluted by what came before.

Of all stretches that reach to the newest row and begin with a session, the one in which so many hits are least likely
by chance; the chance pays for every place that was tried.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Bools
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
