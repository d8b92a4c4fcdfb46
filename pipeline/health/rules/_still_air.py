"""Rolling resistance of rides in still air, for the rule on drag.

Each ride tells its wind by how its resistance grows with speed, more or less well (science/head_wind.py). What it
leaves open is in the error, and a part of it may be the same in every ride: who rides to work against the wind that
blows most, and is fetched home, never has it from behind.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import polars as pl

from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.metrics.resistance import DOWNHILL, WIND_MS
from herdbook.pipeline.metrics.shared.road_vehicle import road_vehicle
from herdbook.pipeline.science.head_wind import StillAir, Usual, blowing_here, still_air
from herdbook.pipeline.science.road import AIR, GRAVITY

LEAST_OWN = 0.3  # of a ride's error, that of the hills is at least: engineering choice


def with_wind(record: Record, rows: pl.DataFrame, limits: Mapping[str, float]) -> pl.DataFrame:
    """Beside each ride its own error without the wind's part (`own`), what a wind adds to it (`gain`, per m/s), the
    wind that it tells (`wind`, `wind_se`), what (1 m/s)^2 of flow holds back (`square`), and how far down the way
    may have gone that a brake held (`unseen`, as a share of the weight; all of the error where that share is not
    known). `still` and `still_se`: the ride in still air by what it tells itself and by usual winds."""
    adds = metric_rows(record, "ride_rolling_per_wind").select("start_t", gain="value")
    told = metric_rows(record, "ride_head_wind").select("start_t", wind="value", wind_se="se")
    held = metric_rows(record, "braked_way_share").select("start_t", unseen=DOWNHILL * pl.col("value"))
    for beside in (adds, told, held):
        rows = rows.join(beside, on="start_t", how="left", maintain_order="left")
    rows = rows.with_columns(
        gain=pl.col("gain").fill_null(limits["speed"] * _wind_squared(record)),
        square=pl.lit(_wind_squared(record)),
        unseen=pl.coalesce("unseen", "se"),
    )
    left = pl.col("se").pow(2) - (WIND_MS * pl.col("gain")).pow(2)
    rows = rows.with_columns(own=pl.max_horizontal(left, (LEAST_OWN * pl.col("se")).pow(2)).sqrt())
    usual = limits["wind"] ** 2
    told_share = usual / (usual + pl.col("wind_se").pow(2))
    blown = (pl.col("wind") * told_share).fill_null(0.0)
    blown_se = (usual * (1.0 - told_share)).fill_null(usual).sqrt()
    return rows.with_columns(
        still=pl.col("value") - pl.col("gain") * blown - 0.5 * _wind_squared(record) * blown.pow(2),
        still_se=(pl.col("own").pow(2) + (pl.col("gain") * blown_se).pow(2)).sqrt(),
    )


def _wind_squared(record: Record) -> float:
    """What (1 m/s)^2 of flow holds back, as a share of the weight; 0 where the profile does not say."""
    car = road_vehicle(record.profile)
    return AIR * car.drag_area_m2 / (car.mass_kg * GRAVITY) if car.known else 0.0


def in_still_air(rows: pl.DataFrame, limits: Mapping[str, float]) -> StillAir:
    """Over the rides, in still air: a brake that drags does so in every ride and at every speed, a wind does not."""
    square, gains = rows["square"].to_numpy(), rows["gain"].to_numpy()
    winds, wind_ses = (rows[c].cast(pl.Float64).fill_null(np.nan).to_numpy() for c in ("wind", "wind_se"))
    own, shared = (limits["wind"] * math.sqrt(part) for part in (1.0 - limits["prevailing"], limits["prevailing"]))
    rolled = still_air(
        values=rows["value"].to_numpy(),
        errors=rows["own"].to_numpy(),
        gains=gains,
        square=square,
        winds=winds,
        wind_ses=wind_ses,
        usual=blowing_here(Usual(own_ms=own, shared_ms=shared), winds, wind_ses),
    )
    # drag area, which grows as the rider sits up: half of it times the square of the speed, which is gain over square
    area = 0.5 * limits["drag_area"] * float((gains**2 / square).mean()) if square.all() else 0.0
    return replace(rolled, se=math.hypot(rolled.se, area))


def blown(rolled: StillAir, rows: pl.DataFrame) -> str:
    """How the wind was reckoned with."""
    if not rows["wind"].count():
        return "; wind is in the error, not observed"
    where = "ahead" if rolled.wind_ms >= 0 else "behind"
    text = f"; {spell(abs(rolled.wind_ms), 'm/s', rolled.wind_se)} of wind from {where} are taken off, told by how the "
    return text + "resistance grows with speed"
