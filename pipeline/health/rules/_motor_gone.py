"""A front or rear motor that does not brake: how a maker shares the braking between the two ends is no defect, so that
only the vehicle's own earlier brakings, or other vehicles of its profile, say what is usual."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.health.reading import Reference

ENDS = ("front", "rear")


@dataclass(frozen=True, slots=True)
class Gone:
    """end: the motor that stopped braking; before, after: the brakings, after with `share` of the whole; usual: its
    middle share before; chance: of so many without it, by how often it was missing before."""

    end: str
    before: pl.DataFrame
    after: pl.DataFrame
    usual: float
    chance: float


def brakings_of_both(brakings: pl.DataFrame, least_a: float) -> pl.DataFrame:
    """Those with both motors' current known, in time order, and strong enough for two."""
    rows = brakings.drop_nulls(["front_a", "rear_a"]).sort("start_t")
    return rows.filter(pl.col("front_a") + pl.col("rear_a") >= 2.0 * least_a)


def gone(rows: pl.DataFrame, limits: Mapping[str, float]) -> Gone | None:
    """The motor missing in every braking up to the newest, over more than one ride, though it took its share before in
    brakings no stronger."""
    whole = pl.col("front_a") + pl.col("rear_a")
    for end in ENDS:
        own = rows.with_columns(share=pl.col(f"{end}_a") / whole, whole=whole)
        share = own["share"].to_numpy()
        there = np.flatnonzero(share >= limits["gone"])
        first = int(there[-1]) + 1 if there.size else 0
        before, after = own.slice(0, first), own.slice(first)
        if before.height < limits["count"] or after.height < limits["count"]:
            continue
        missing = int((share[:first] < limits["gone"]).sum())
        chance = ((missing + 1.0) / (first + 2.0)) ** after.height
        usual = float(np.median(share[:first]))
        as_strong = float(np.median(after["whole"].to_numpy())) >= float(np.quantile(before["whole"].to_numpy(), 0.25))
        if usual < limits["took"] or chance > limits["chance"] or not as_strong:
            continue
        if after["session_start_t"].n_unique() >= limits["rides"]:
            return Gone(end, before, after, usual, chance)
    return None


@dataclass(frozen=True, slots=True)
class Lacking:
    """end: the motor that brakes with much less than on other vehicles; share: its part of the current, median of
    `rows`; usual: theirs; most: what is much less; often: in what share of the rows it gave less than that."""

    end: str
    rows: pl.DataFrame
    share: float
    usual: float
    most: float
    often: float


def lacking(rows: pl.DataFrame, front_share: Reference | None, limits: Mapping[str, float]) -> Lacking | None:
    """The motor whose part is under `beside_fleet` of what it is on other vehicles, in nearly every braking and over
    more than one ride; None where no fleet says it."""
    if front_share is None or rows.height < limits["count"] or rows["session_start_t"].n_unique() < limits["rides"]:
        return None
    for end, usual in zip(ENDS, (front_share.value, 1.0 - front_share.value), strict=True):
        most = min(limits["beside_fleet"] * usual, usual - limits["spreads"] * front_share.spread)
        own = rows.with_columns(share=pl.col(f"{end}_a") / (pl.col("front_a") + pl.col("rear_a")))
        share = own["share"].to_numpy()
        often = float((share < most).mean())
        if usual >= limits["took"] and often > limits["nearly_all"]:
            return Lacking(end, own, share=float(np.median(share)), usual=usual, most=most, often=often)
    return None
