"""A limiter that the pack's state would explain, and that the record shows open all the same.

Temperature and charge move in minutes and one way. A brake that gives, refuses and gives again within one ride was not
refused by them, whatever the tapers say: even a limiter with hysteresis switches once. And a pack whose own charge
limit was seen low whenever it was cold holds the taper for the cold itself: while that limit is open, nothing is left
to the cold. A group's voltage moves with each braking, so where it lies in its taper nothing is claimed.
"""

from __future__ import annotations

import polars as pl

from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.metrics.shared.braking_samples import envelope_of, least_a

COLD_SEEN = 3  # brakings in the cold, the pack not full, in which the pack's limit was low: engineering choice
LITTLE = 1 / 3  # of the largest limit seen: between sensor and taper lies a step or two: engineering choice
SHARE = 0.02  # of the ceiling, by which state and taper may differ: as for a state that leaves all


def with_shown(record: Record, brakings: pl.DataFrame) -> pl.DataFrame:
    """Adds `shown_a`: what the brake gave at least both before and after this braking in the same ride, null where the
    highest group was in its taper or no braking lies on one of both sides; and `cold_open`: the pack's own limit left
    as much as was asked, and nothing but the cold called for less."""
    given = pl.col("delivered_a")
    before = given.shift(1).cum_max().over("session_start_t")
    after = given.reverse().shift(1).cum_max().reverse().over("session_start_t")
    top = envelope_of(record.profile).cell_v.full
    calm = pl.col("cell_max_v").fill_null(0.0) < top
    shown = pl.min_horizontal(before, after)
    shown = pl.when(calm & before.is_not_null() & after.is_not_null() & (shown >= least_a(record.profile))).then(shown)
    return brakings.with_columns(shown_a=shown, cold_open=_cold_open(record, brakings))


def _cold_open(record: Record, brakings: pl.DataFrame) -> pl.Expr:
    envelope = envelope_of(record.profile)
    cold, limit = pl.col("cell_min_c"), pl.col("charge_limit_a")
    not_full = (pl.col("soc_pct").fill_null(0.0) < envelope.soc_pct.full) & (
        pl.col("cell_max_v").fill_null(0.0) < envelope.cell_v.full
    )
    frozen = brakings.filter((cold <= envelope.cold_c.zero) & limit.is_not_null() & not_full)
    largest = brakings["charge_limit_a"].max()
    if frozen.height < COLD_SEEN or not isinstance(largest, float):
        return pl.lit(False)
    if not (frozen["charge_limit_a"].to_numpy() <= LITTLE * largest).all():
        return pl.lit(False)
    span = envelope.cold_c.full - envelope.cold_c.zero
    share = ((cold - envelope.cold_c.zero) / span).clip(0.0, 1.0) if span > 0 else (cold > envelope.cold_c.full) * 1.0
    wanted = pl.min_horizontal(pl.col("demand_a"), pl.lit(envelope.ceiling_a))
    only_cold = pl.col("state_share") >= share - SHARE
    return ((limit >= wanted) & (share > 0.0) & only_cold).fill_null(False)
