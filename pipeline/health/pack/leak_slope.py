"""A leak as the rules and the pages see it: a group's place near full, with its bled charge added back, over time."""

from __future__ import annotations

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.health.pack.offsets import Offsets
from herdbook.pipeline.health.trend import theil_sen

UNIT = "% of rated charge a month"
MONTH_H = 730.5


def rate_a_month(hours: Floats, y: Floats, own: float) -> tuple[float, float]:
    """Theil-Sen slope a month and its error. own: error of one reading, in the unit of y."""
    slope = theil_sen(hours, y)
    # Sen's interval is empty of meaning with few points; the readings' own errors give the floor.
    floor = own / max(1e-9, float(np.std(hours)) * np.sqrt(hours.size))
    return slope.slope * MONTH_H, max((slope.high - slope.low) / (2 * 1.96), floor) * MONTH_H


def newest(o: Offsets) -> float:
    """Where the group stands against the median group in the newest third of the readings, in %."""
    return float(np.median(o.values[-max(2, o.values.size // 3) :]))


def bled_before(item: str, bled: pl.DataFrame, t: Times) -> Floats:
    """Ah bled from the group before each time, above what the median group was bled."""
    if not bled.height:
        return np.zeros(t.size)
    wide = bled.pivot(on="item", index="start_t", values="value", aggregate_function="sum").sort("start_t")
    groups = wide.drop("start_t").fill_null(0.0).to_numpy()
    if item not in wide.columns:
        return np.zeros(t.size)
    extra = wide[item].fill_null(0.0).to_numpy() - np.median(groups, axis=1)
    total = np.concatenate(([0.0], np.cumsum(extra)))
    return np.asarray(total[np.searchsorted(wide["start_t"].cast(pl.Int64).to_numpy(), t, side="left")])
