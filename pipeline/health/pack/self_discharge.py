"""What each group loses by itself, against its siblings: mA with standard error, over the newest months of the record.

The same slope as the leak rules judge (place near full over time, bled charge added back), but for every group and
whether or not it is large: a value with an interval says how small a leak these data would have shown. What all groups
lose alike cannot be seen this way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.health.pack.leak_slope import MONTH_H, bled_before, rate_a_month
from herdbook.pipeline.health.pack.offsets import offsets, uneven
from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.health.rules.leaking_group import LIMITS

# How far a knee stretches a shift: while polarisation builds up, groups at different charge do not draw the same curve.
# Against a physics model of an LFP cell a leak was read 13 % too large (make physics).
STRETCH = 0.15
OF_RULE = {limit.name: limit.value for limit in LIMITS}


@dataclass(frozen=True, slots=True)
class Loss:
    """loss_ma: more than the median group, positive when it sinks; se_ma: its error; n readings over `days`."""

    item: str
    loss_ma: float
    se_ma: float
    n: int
    days: float


def self_discharge(record: Record) -> tuple[list[Loss], str]:
    """One figure a group, in the order of the groups; none and why when charges to the knee are too few or too near."""
    rated = record.profile.pack_figures.rated_ah
    bled = metric_rows(record, "cell_bled_ah").sort("start_t")
    found = []
    for o in offsets(record, "top", OF_RULE["long_days"]).values():
        t = o.starts
        days = float(t[-1] - t[0]) / 86_400e6
        if t.size >= OF_RULE["least_sessions"] and days >= OF_RULE["least_days"]:
            y = o.values + 100.0 / rated * bled_before(o.item, bled, t)
            rate, se = rate_a_month((t - t[0]) / 3.6e9, y, float(np.median(o.own)))
            ma = 1000 * rated / 100 / MONTH_H
            error = float(np.hypot(se, STRETCH * rate))
            found.append(Loss(o.item, -rate * ma, error * ma, t.size, days))
    if found:
        return sorted(found, key=lambda loss: (len(loss.item), loss.item)), ""
    return [], (
        f"it takes {OF_RULE['least_sessions']:.0f} charges to the knee near full, spread over at least "
        f"{OF_RULE['least_days']:.0f} days" + uneven(record)
    )
