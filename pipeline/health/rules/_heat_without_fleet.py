"""A pack's heat where neither a fleet nor the maker says what is usual: only what no sound pack does is told."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.health.reading import metric_rows, recent
from herdbook.pipeline.health.reference import OWN_RESISTANCE
from herdbook.pipeline.health.rule import Finding, Record
from herdbook.pipeline.health.rules._too_much_heat import too_much_heat
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.statistics import confidence, largest, middle

# What heat a sound pack may make beyond that of typical cells of its size: a group of twice the typical resistance,
# aged by half; and a pack of two thirds of the typical heat capacity warms by half as much again. And how well the
# pooled ratio is known at best. Engineering choices, made after packs of an outside simulation that warmed eight times
# as much as explained had been left unjudged.
RESISTANCE_AT_MOST = 3.0
RISE_AT_MOST = 1.5
KNOWN_AT_BEST = 0.02


def judged_sessions(record: Record, limits: Mapping[str, float]) -> pl.DataFrame:
    """The newest sessions whose heat ratio is known well enough to judge by."""
    rows = metric_rows(record, "pack_heat_ratio", "")
    rows = rows.filter(pl.col("se") < limits["largest_se"] * pl.max_horizontal("value", pl.lit(1.0)))
    return recent(rows, limits["days"], 40)


def why_no_ratio(record: Record, limits: Mapping[str, float]) -> str:
    """Which of the two is missing: sessions, or something to hold them against."""
    rows = judged_sessions(record, limits)
    if rows.height < limits["sessions"]:
        return (
            f"only {counted(rows.height, 'recent session')} with enough load to judge the heat by, "
            f"{limits['sessions']:.0f} are needed"
        )
    value, se = pool(rows["value"].to_numpy(), rows["se"].to_numpy())
    return (
        f"the pack warmed {spell(value, 'times', se)} as much as typical cells of its size would, and there is no "
        "fleet reference of this profile to say what is usual: `herdbook store refit` makes one from five vehicles"
    )


def beyond_any_pack(record: Record, limits: Mapping[str, float]) -> Finding | None:
    """Warmer than a pack of poor cells and little mass would be under this load."""
    rows = judged_sessions(record, limits)
    explained = metric_rows(record, "pack_heat_explained_k").select("start_t", explained_k="value")
    rows = rows.join(explained, on="start_t", maintain_order="left")
    if rows.height < limits["sessions"]:
        return None
    own = middle(recent(metric_rows(record, OWN_RESISTANCE), limits["days"])["value"]).value
    poorer = own / record.profile.pack_figures.cell_r10s_mohm if own > 0 else 1.0
    most = RESISTANCE_AT_MOST * max(poorer, 1.0) * RISE_AT_MOST
    rows = rows.with_columns(excess_k=(pl.col("value") - most) * pl.col("explained_k"))
    value, se = pool(rows["value"].to_numpy(), rows["se"].to_numpy())
    se = float(np.hypot(se, KNOWN_AT_BEST * value))
    limit = most * (1.0 + limits["ratio"])
    if value - 2.0 * se < limit or largest(rows["excess_k"]) < limits["excess"]:
        return None
    hit = rows.filter(pl.col("value") > limit)
    return too_much_heat(
        rows,
        hit,
        measured=value,
        limit=limit,
        se=se,
        sure=confidence(value, limit, se),
        statement=f"Over {counted(rows.height, 'session')} the pack warmed {spell(value, 'times', se)} as much as "
        f"its load explains with typical cells of its size; poor cells in a light pack would reach "
        f"{spell(most, 'times')}.",
        not_separable="More heat made in the pack, less heat lost, or something hot beside it: a thermal camera under "
        "a steady load separates them.",
    )
