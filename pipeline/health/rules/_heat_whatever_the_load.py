"""A place that warms ahead of the others in every ride, whatever the load: a line through its rate over the load.

A hot joint follows the square of the current and is nothing at none; heat from inside is there with next to no load as
well. What varies between rides by more than their errors (air, an outer place) widens the error. Rides alone: in the
rest after one a place that is ahead already loses what it makes to its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.reading import metric_rows, recent
from herdbook.pipeline.health.rule import Record

LEAST_SE = 0.02  # K/min: engineering choice
FEWEST = 4  # rides: two tell a line, the others whether it holds (engineering choice)


@dataclass(frozen=True, slots=True)
class Whatever:
    """rate, se: of the place at no load, K/min. rows: rides since it began (start_t, end_t, value). z: standard
    errors over the limit, chance of the best of all beginnings taken off by the caller's limit."""

    item: str
    rate: float
    se: float
    rows: pl.DataFrame
    z: float


def whatever_the_load(record: Record, broken: set[str], limit: float) -> Whatever | None:
    """The place whose rate at no load is most surely over the limit, since whenever that is surest; None: none is."""
    ahead = recent(metric_rows(record, "cell_ahead_k_min", kind="ride"), 60.0)
    if ahead.height < FEWEST:
        return None
    load = metric_rows(record, "pack_load_square").select("start_t", load="value")
    rows = ahead.join(load, on="start_t", maintain_order="left")
    found = [
        one
        for item in sorted(set(rows["item"].to_list()) - broken)
        if (one := _since(item, rows.filter(pl.col("item") == item, pl.col("load").is_not_null()), limit)) is not None
    ]
    return max(found, key=lambda one: one.z, default=None)


def _since(item: str, rows: pl.DataFrame, limit: float) -> Whatever | None:
    best: Whatever | None = None
    load, rate, se = (rows[name].to_numpy() for name in ("load", "value", "se"))
    for first in range(rows.height - FEWEST + 1):
        at_none, error = _at_no_load(load[first:], rate[first:], se[first:])
        z = (at_none - limit) / error
        if best is None or z > best.z:
            best = Whatever(item, at_none, error, rows.slice(first), z)
    return best


def _at_no_load(load: Floats, rate: Floats, se: Floats) -> tuple[float, float]:
    """Rate at no load with its error, stretched by what the sessions scatter more than they say; a rate that falls with
    load is taken for one that does not depend on it."""
    weight = np.maximum(se, LEAST_SE) ** -2.0
    line = np.stack([np.ones_like(load), load])
    columns = line if float(np.ptp(load)) > 0 else line[:1]
    inverse = np.linalg.pinv((columns * weight) @ columns.T)
    fit = inverse @ (columns * weight) @ rate
    if fit.size > 1 and fit[1] < 0:
        columns = line[:1]
        inverse = np.linalg.pinv((columns * weight) @ columns.T)
        fit = inverse @ (columns * weight) @ rate
    left = rate - fit @ columns
    stretch = max(float(weight @ left**2) / max(rate.size - fit.size, 1), 1.0)
    return float(fit[0]), float(np.sqrt(stretch * inverse[0, 0]))
