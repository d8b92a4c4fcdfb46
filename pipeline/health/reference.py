"""What the fleet's healthy majority looks like: reference figures, fitted on request and frozen with the rule set.

    reference = fit_reference(metrics)      metrics of all vehicles of one profile

Rules compare a vehicle with these figures through Record.reference. They are never refitted on the way: a
fleet that slowly gets worse must not move its own yardstick.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.pooled import known_errors
from herdbook.pipeline.science.meta_analysis import random_effects

LEAST_VEHICLES = 5  # under this there is no majority to speak of: engineering choice
FEW = 2  # of figures whose spread is known beforehand
LEAST_SESSIONS = 2
OUTLIER_SPREADS = 3.5  # a vehicle beyond these is not of the healthy majority: engineering choice
COLUMNS = ("vehicle", "kind", "name", "item", "value", "unit", "se")
SCHEMA = {
    "name": pl.String,
    "item": pl.String,
    "value": pl.Float64,
    "spread": pl.Float64,
    "unit": pl.String,
    "n": pl.Int64,
}


@dataclass(frozen=True, slots=True)
class FleetFigure:
    """A metric worth a fleet figure. by_kind: one figure a session kind (its item is the kind); largest_se:
    sessions known less well are left out. least_spread: what two healthy vehicles may differ by at least.
    by_moments: vehicles are known no better than they differ, so that a middle and its deviations would waste what
    little is known: weighted mean and moments over the majority instead."""

    name: str
    by_kind: bool = False
    largest_se: float = float("inf")
    least_spread: float = 0.0
    by_moments: bool = False
    of_one: bool = False  # one session tells it, if it says how well: no road, rider or load changes it
    # How far sound vehicles of a type lie apart by what they are, where so much is known beforehand: then FEW vehicles
    # tell the figure as well. A share of the value for what wear takes from (`wears`), and then it is that of the best,
    # of the second best where there are more than two; else in the figure's own unit, and it is their middle.
    few_spread: float = 0.0
    wears: bool = False


OWN_RESISTANCE = "group_dcr_0.5s_25c_mohm"  # of the middle group: what a vehicle's heat is held against
PER_MOHM = "pack_heat_per_mohm"
FIGURES = (
    FleetFigure("pack_heat_ratio", by_kind=True, largest_se=0.3, least_spread=0.05),
    FleetFigure(PER_MOHM, by_kind=True, largest_se=0.3, least_spread=0.03),
    FleetFigure("pack_heat_ahead", by_kind=True, largest_se=0.3, least_spread=0.05),
    FleetFigure("pack_path_mohm", by_kind=True, largest_se=2.0, least_spread=0.3),
    FleetFigure("winding_heat_ratio", largest_se=0.3, least_spread=0.05),
    FleetFigure("fet_heat_k_per_ka2", least_spread=0.1),
    FleetFigure("travel_rolling", largest_se=0.05, least_spread=0.002, by_moments=True),
    FleetFigure("ride_rolling", largest_se=0.05, least_spread=0.002, by_moments=True),
    FleetFigure("coast_rolling", largest_se=0.05, least_spread=0.001),
    FleetFigure("consumption_wh_km", least_spread=0.5),
    FleetFigure("regen_wh_km", least_spread=0.1),
    FleetFigure("regen_missing_share", largest_se=0.2, least_spread=0.02),
    FleetFigure("braking_front_share", largest_se=0.1, least_spread=0.02),
    # Of few: curve_place.py takes a step within four spreads for the same, here 12 mV, well under the 40 mV between
    # steps and over the 5 mV to which it is read (engineering choice)
    FleetFigure("charge_step_v", largest_se=0.02, least_spread=0.006, of_one=True, few_spread=0.003),
    FleetFigure("charge_step_soc_pct", largest_se=3.0, least_spread=1.0, of_one=True),
    # sound packs from new to well used, and what two chargers call full, each by a twentieth and more
    FleetFigure("charge_step_to_full_pct", largest_se=3.0, least_spread=0.5, of_one=True, few_spread=0.08, wears=True),
    FleetFigure("brake_response_s", largest_se=0.1, least_spread=0.005, of_one=True),
)


def fit_reference(metrics: pl.DataFrame) -> pl.DataFrame:
    """Reference figures from the metrics of all vehicles of one profile.

    In:  vehicle, kind (of the session), name, item, value, unit, se. More columns do no harm.
    Out: name, item, value (middle over vehicles), spread (robust, between healthy vehicles), unit, n (vehicles);
         figures with fewer than LEAST_VEHICLES vehicles are left out, but for those that few tell.
    """
    metrics = pl.concat([metrics.select(COLUMNS), per_own_resistance(metrics)])
    rows = []
    for figure in FIGURES:
        mine = metrics.filter(
            pl.col("name") == figure.name,
            pl.col("value").is_finite(),
            pl.col("se").fill_nan(None).fill_null(math.inf) <= figure.largest_se,  # unknown is not small
        )
        kinds = sorted(set(mine["kind"].to_list())) if figure.by_kind else [""]
        for kind in kinds:
            part = mine.filter(pl.col("kind") == kind) if kind else mine
            found = _majority(part, figure)
            if found is not None:
                value, spread, n = found
                unit = str(part["unit"][0])
                least = figure.least_spread if n >= LEAST_VEHICLES else 0.0
                rows.append((figure.name, kind, value, max(spread, least), unit, n))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def per_own_resistance(metrics: pl.DataFrame) -> pl.DataFrame:
    """The pack's heat ratio over its own resistance, per session: an aged pack is warmer by right of its resistance.

    In and out as fit_reference(); empty for vehicles whose resistance is not known.
    """
    own = metrics.filter(pl.col("name") == OWN_RESISTANCE, pl.col("value") > 0)
    middle = own.group_by("vehicle").agg(own_mohm=pl.col("value").median())
    heat = metrics.filter(pl.col("name") == "pack_heat_ratio", pl.col("item") == "")
    return heat.join(middle, on="vehicle", maintain_order="left").select(
        "vehicle",
        "kind",
        pl.lit(PER_MOHM).alias("name"),
        "item",
        pl.col("value") / pl.col("own_mohm"),
        pl.lit("1/mOhm").alias("unit"),
        pl.col("se") / pl.col("own_mohm"),
    )


def _majority(rows: pl.DataFrame, figure: FleetFigure) -> tuple[float, float, int] | None:
    """Middle, spread and number of vehicles, those far out left aside; a vehicle counts once, by its own middle.

    The spread is between vehicles: what the sessions' own scatter adds to it is taken off again.
    """
    centre_of, error_of = [], []
    for _, part in rows.sort("vehicle").group_by(["vehicle"], maintain_order=True):
        own, errors_of = part["value"].to_numpy(), part["se"].cast(pl.Float64).to_numpy()
        few = part.height < LEAST_SESSIONS
        if not few or (figure.of_one and known_errors(errors_of) is not None):
            value, se = _weighted(own, errors_of) if figure.by_moments or few else _middle(own, errors_of)
            centre_of.append(value)
            error_of.append(se)
    values, errors = np.array(centre_of), np.array(error_of)
    if FEW <= values.size < LEAST_VEHICLES and figure.few_spread:
        return _of_few(values, figure)
    kept = np.ones(values.size, bool)
    for _ in range(5):
        if kept.sum() < LEAST_VEHICLES:
            return None
        centre = float(np.median(values[kept]))
        spread = 1.4826 * float(np.median(np.abs(values[kept] - centre)))
        inside = np.abs(values - centre) <= OUTLIER_SPREADS * max(spread, 1e-12)
        if (inside == kept).all():
            break
        kept = inside
    if figure.by_moments:
        return *_moments(values[kept], errors[kept]), int(kept.sum())
    true = np.sqrt(max(spread**2 - float(np.median(errors[kept] ** 2)), 0.0))
    return centre, float(true), int(kept.sum())


def _of_few(values: Floats, figure: FleetFigure) -> tuple[float, float, int]:
    """What few vehicles tell: one of them may be faulty, and nobody knows which but by what wear does."""
    if not figure.wears:
        return float(np.median(values)), figure.few_spread, values.size
    best = float(np.sort(values)[-1 if values.size == FEW else -2])
    return best, figure.few_spread * best, values.size


def _middle(values: Floats, errors: Floats) -> tuple[float, float]:
    """A vehicle's own figure and its standard error, without a factor for few sessions: a variance to be taken off."""
    known = known_errors(errors)
    if known is None:
        return float(values.mean()), float(values.std(ddof=1) / np.sqrt(values.size))
    found = random_effects(values, known)
    return found.mean, max(found.se, found.alone)


def _weighted(values: Floats, errors: Floats) -> tuple[float, float]:
    """Mean weighted by the errors, and its error, stretched where the values scatter by more (Birge's ratio)."""
    known = known_errors(errors)
    weight = np.ones(values.size) if known is None else known**-2.0
    mean = float(weight @ values / weight.sum())
    misfit = float(weight @ (values - mean) ** 2) / max(values.size - 1, 1)
    return mean, float(weight.sum() ** -0.5) * float(np.sqrt(max(misfit, 1.0)))


def _moments(values: Floats, errors: Floats) -> tuple[float, float]:
    """Weighted mean, and the spread between vehicles that their errors do not explain.

    Source: DerSimonian and Laird, Control. Clin. Trials 7 (1986) 177.
    """
    weight = np.maximum(errors, 1e-9) ** -2.0
    mean = float(weight @ values / weight.sum())
    excess = float(weight @ (values - mean) ** 2) - (values.size - 1)
    between = excess / float(weight.sum() - (weight**2).sum() / weight.sum())
    weight = 1.0 / (errors**2 + max(between, 0.0) + 1e-18)
    return float(weight @ values / weight.sum()), float(np.sqrt(max(between, 0.0)))
