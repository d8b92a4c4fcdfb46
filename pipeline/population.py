"""What the fleet's healthy majority looks like: reference figures, fitted on request and frozen with the rule
set.

    reference = fit_reference(metrics)      metrics of all vehicles of one profile

Rules compare a vehicle with these figures through Record.reference. They are never refitted on the way: a
fleet that slowly gets worse must not move its own yardstick.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

LEAST_VEHICLES = 5  # under this there is no majority to speak of: engineering choice
LEAST_SESSIONS = 2
OUTLIER_SPREADS = 3.5  # a vehicle beyond these is not of the healthy majority: engineering choice
SCHEMA = {"name": pl.String, "item": pl.String, "value": pl.Float64, "spread": pl.Float64, "unit": pl.String,
          "n": pl.Int64}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Figure:
    """A metric worth a fleet figure. by_kind: one figure a session kind (its item is the kind); largest_se:
    sessions known less well are left out. least_spread: what two healthy vehicles may differ by at least."""

    name: str
    by_kind: bool = False
    largest_se: float = float("inf")
    least_spread: float = 0.0


FIGURES = (
    Figure("pack_heat_ratio", by_kind=True, largest_se=0.3, least_spread=0.05),
    Figure("winding_heat_ratio", largest_se=0.3, least_spread=0.05),
    Figure("travel_rolling", largest_se=0.05, least_spread=0.001),
    Figure("coast_rolling", largest_se=0.05, least_spread=0.001),
    Figure("consumption_wh_km", least_spread=0.5),
    Figure("regen_wh_km", least_spread=0.1),
    Figure("brake_response_s", largest_se=0.1, least_spread=0.005),
)


def fit_reference(metrics: pl.DataFrame) -> pl.DataFrame:
    """Reference figures from the metrics of all vehicles of one profile.

    In:  vehicle, kind (of the session), name, item, value, unit, se. More columns do no harm.
    Out: name, item, value (middle over vehicles), spread (robust, between healthy vehicles), unit, n
    (vehicles);
         figures with fewer than LEAST_VEHICLES vehicles are left out.
    """
    rows = []
    for figure in FIGURES:
        mine = metrics.filter(
            pl.col("name") == figure.name,
            pl.col("value").is_finite(),
            pl.col("se").fill_null(0.0) <= figure.largest_se,
        )
        if figure.name == "pack_heat_ratio":
            mine = mine.filter(pl.col("item") == "")  # the pack as a whole; sensors are held against it
        kinds = sorted(set(mine["kind"].to_list())) if figure.by_kind else [""]
        for kind in kinds:
            part = mine.filter(pl.col("kind") == kind) if kind else mine
            found = _majority(part)
            if found is not None:
                value, spread, n = found
                unit = str(part["unit"][0])
                rows.append((figure.name, kind, value, max(spread, figure.least_spread), unit, n))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _majority(rows: pl.DataFrame) -> tuple[float, float, int] | None:
    """Middle, spread and number of vehicles, those far out left aside; a vehicle counts once, by its own
    middle."""
    per_vehicle = rows.group_by("vehicle").agg(pl.col("value").median(), pl.len()).sort("vehicle")
    values = per_vehicle.filter(pl.col("len") >= LEAST_SESSIONS)["value"].to_numpy()
    kept: NDArray[np.float64] = values
    for _ in range(5):
        if kept.size < LEAST_VEHICLES:
            return None
        centre = float(np.median(kept))
        spread = 1.4826 * float(np.median(np.abs(kept - centre)))
        inside = values[np.abs(values - centre) <= OUTLIER_SPREADS * max(spread, 1e-12)]
        if inside.size == kept.size:
            break
        kept = inside
    return centre, spread, int(kept.size)
