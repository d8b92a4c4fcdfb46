"""Cell sensors that can be believed in a session: not open, not shorted, not far colder than all the others.

An open sensor reads -40 degC on many boards; taken for the coldest cell it would make every charge a cold one. A pack
has no place that is far colder than all its siblings: heat has sources, cold has none.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.signals import Signals

OPEN_C, SHORT_C = -30.0, 120.0  # as for a rail in the sensors' own metrics
APART_K = 6.0  # colder than the middle of its siblings all through: engineering choice


def believed_cells(signals: Signals) -> list[int | str]:
    """Items of cell_temp; all that are no rail where fewer than three are left."""
    middles: dict[int | str, float] = {}
    for item in signals.items("cell_temp"):
        v = signals.series("cell_temp", item).v
        v = v[np.isfinite(v)]
        if v.size and OPEN_C < median(v) < SHORT_C:
            middles[item] = median(v)
    if len(middles) < 3:
        return list(middles)
    return [
        item
        for item, own in middles.items()
        if own > median(np.array([v for k, v in middles.items() if k != item])) - APART_K
    ]
