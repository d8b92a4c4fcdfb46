"""The least margin to a limit in a session: how much, when, in its unit and as a share; for every set that has limits.

A running median of three readings goes first, so that one bad sample is no extreme.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.science.robust_fit import MAD_TO_SD, median
from herdbook.pipeline.science.stretches import median_of_three
from herdbook.pipeline.vehicle.record import Event, Metric

NEAR = 100  # readings either side whose scatter is the error
MEDIAN_OF_THREE = 0.67  # standard deviation of a median of three normal readings over that of one (order statistics)
STEP_SD = 0.29  # an error spread evenly over one step of resolution, 1/sqrt(12)


@dataclass(frozen=True, slots=True)
class Margin:
    """margin = limit - value for a highest limit, value - limit for a lowest; negative: passed. share: of `span`.

    unit: V, K or A. where: the item in words. t: microseconds UTC. group: number of the series it was met in, or 0."""

    where: str
    unit: str
    margin: float
    value: float
    limit: float
    span: float
    se: float
    t: int
    n: int
    group: int = 0

    def rows(self, coverage: float = 1.0) -> tuple[list[Metric], Event]:
        share, se = self.margin / self.span, self.se / self.span
        key = self.unit.lower()
        data = {f"margin_{key}": self.margin, "margin_share": share, "value": self.value, "limit": self.limit}
        if self.group:
            data["group"] = float(self.group)
        return [
            Metric(f"margin_{key}", self.margin, self.unit, se=self.se, n=self.n, coverage=coverage, item=self.where),
            Metric("margin_share", share, "1", se=se, n=self.n, coverage=coverage, item=self.where),
        ], Event("least_margin", self.t, self.t, self.where, data)


GIVES = {
    "margin_v": ("V", "Least distance to a voltage limit; negative: passed"),
    "margin_share": (
        "1",
        "The same as a share: of the window between both limits for groups, of the way from 25 °C for temperatures,"
        " of the limit itself for currents, pack and DC link",
    ),
}


def least(
    where: str,
    unit: str,
    t: Times,
    v: Floats,
    limit: Floats | float,
    span: float,
    highest: bool = True,
    under: float = np.inf,
) -> Margin | None:
    """Least margin of a series; None with fewer than three known readings, or when it is not less than `under`.

    limit: one, or one a reading."""
    known = np.isfinite(v) & np.isfinite(limit)
    if known.sum() < 3:
        return None
    if not known.all():
        t, v = t[known], v[known]
        limit = limit[known] if isinstance(limit, np.ndarray) else limit
    margin = median_of_three(limit - v if highest else v - limit)
    k = int(margin.argmin())
    if not margin[k] < under:
        return None
    at = float(limit[k]) if isinstance(limit, np.ndarray) else limit
    value = at - float(margin[k]) if highest else at + float(margin[k])
    return Margin(
        where, unit, float(margin[k]), value=value, limit=at, span=span, se=scatter(v, k), t=int(t[k]), n=int(v.size)
    )


def scatter(v: Floats, k: int) -> float:
    """Standard error of a median of three near reading k, from how its neighbours differ, never under a step's."""
    step = np.abs(np.diff(v[max(k - NEAR, 0) : k + NEAR]))
    moved = step[step > 0]
    smallest = float(moved.min()) if moved.size else 0.0
    noise = MEDIAN_OF_THREE * MAD_TO_SD * median(step) / np.sqrt(2) if step.size else 0.0
    return max(noise, STEP_SD * smallest)
