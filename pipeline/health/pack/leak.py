"""What a group loses by itself, against its siblings: its place near full, with its bled charge added back, over time.

The leak rules judge this slope where it is large; self_discharge() gives it for every group, large or not: a value
with an interval says how small a leak these data would have shown. What all groups lose alike cannot be seen this way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.health.pack.offsets import Offsets, offsets, uneven
from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.health.trend import beside_trend, theil_sen

UNIT = "% of rated charge a month"
MONTH_H = 730.5
# What a slope needs (engineering choices): with fewer readings it has no honest interval, over fewer days balance and
# temperature still move the readings; and how far back the slow leaks are read.
LEAST_READINGS, LEAST_DAYS, LONG_DAYS = 5.0, 6.0, 90.0
# How far a knee stretches a shift: while polarisation builds up, groups at different charge do not draw the same curve.
# Against a physics model of an LFP cell a leak was read 13 % too large (make physics).
KNEE_STRETCH = 0.15


@dataclass(frozen=True, slots=True)
class GroupLoss:
    """loss_ma: more than the median group, positive when it sinks; se_ma: its error; n readings over `days`."""

    item: str
    loss_ma: float
    se_ma: float
    n: int
    days: float


def rate_a_month(hours: Floats, y: Floats, own: float) -> tuple[float, float]:
    """Theil-Sen slope a month and its error. own: error of one reading, in the unit of y."""
    slope = theil_sen(hours, y, fewer=beside_trend(hours, y))
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


def self_discharge(record: Record) -> tuple[list[GroupLoss], str]:
    """One figure a group, in the order of the groups; none and why when charges to the knee are too few or too near."""
    if not record.profile.pack_figures.given("rated_ah"):
        return [], "the profile does not say [pack] rated_ah"
    rated = record.profile.pack_figures.rated_ah
    bled = metric_rows(record, "cell_bled_ah").sort("start_t")
    found = []
    for o in offsets(record, "top", LONG_DAYS).values():
        t = o.starts
        days = float(t[-1] - t[0]) / 86_400e6
        if t.size >= LEAST_READINGS and days >= LEAST_DAYS:
            y = o.values + 100.0 / rated * bled_before(o.item, bled, t)
            rate, se = rate_a_month((t - t[0]) / 3.6e9, y, float(np.median(o.own)))
            ma = 1000 * rated / 100 / MONTH_H
            error = float(np.hypot(se, KNEE_STRETCH * rate))
            found.append(GroupLoss(o.item, -rate * ma, error * ma, t.size, days))
    if found:
        return sorted(found, key=lambda loss: (len(loss.item), loss.item)), ""
    return [], (
        f"it takes {LEAST_READINGS:.0f} charges to the knee near full, spread over at least {LEAST_DAYS:.0f} days"
        + uneven(record)
    )
