"""Rides over the weight that they tell themselves, for the rule on drag: by how they answer to changes of force."""

from __future__ import annotations

import math

import polars as pl

from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.health.statistics import middle
from herdbook.pipeline.metrics.shared.road_vehicle import road_vehicle

OTHER_LOAD = 0.1  # of the weight, by which a ride that does not tell its own may differ: engineering choice


def over_own_weight(record: Record, rows: pl.DataFrame) -> pl.DataFrame:
    """Every ride over the weight it tells (column `kg`), the others over the middle of those, where they are most of
    all; else every ride over the weight that the profile names (`kg` null)."""
    usual = road_vehicle(record.profile).mass_kg
    mass = metric_rows(record, "ride_mass_kg").drop_nulls("se").select("start_t", kg="value", kg_se="se")
    rows = rows.join(mass, on="start_t", maintain_order="left", how="left")
    told = rows["kg"].drop_nulls()
    if math.isnan(usual) or 2 * told.len() < rows.height or not told.len():
        return rows.with_columns(kg=pl.lit(None, pl.Float64))
    # another may ride, or carry more, where the ride does not say
    usually = middle(told, least_se=0.0)
    apart = math.hypot(usually.spread, OTHER_LOAD * usually.value)
    rows = rows.with_columns(kg=pl.col("kg").fill_null(usually.value), kg_se=pl.col("kg_se").fill_null(apart))
    part = usual / pl.col("kg")
    over = pl.col("value") * part
    weight = (over * pl.col("kg_se") / pl.col("kg")).pow(2)
    errors = {name: ((pl.col(name) * part).pow(2) + weight).sqrt() for name in ("se", "own", "still_se")}
    adds = {name: pl.col(name) * part for name in ("still", "gain", "square")}
    return rows.with_columns(value=over, **adds, **errors)


def weight_of(rows: pl.DataFrame) -> float | None:
    """Of vehicle, rider and load [kg], middle of the rides; None where they do not tell it."""
    kg = rows["kg"].median()
    return float(kg) if isinstance(kg, float) else None


def weighs(kg: float) -> str:
    return f"its weight of {spell(kg, 'kg')} is read from how it accelerates"
