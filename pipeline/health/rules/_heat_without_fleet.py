"""A pack's heat where neither a fleet nor the maker says what is usual: only what no sound pack does is told."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.health.reading import metric_rows, recent, reference
from herdbook.pipeline.health.reference import OWN_RESISTANCE, PER_MOHM
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
SHARED_K = 0.15  # of heat that is no square of the current, alike in all sessions (engineering choice)
USEFUL_SE = 4.0  # of one session's ratio: less well known it says nothing here (engineering choice)


def judged_sessions(record: Record, limits: Mapping[str, float]) -> pl.DataFrame:
    """The newest sessions whose heat ratio is known, with what their load explains (column explained_k). Which are left
    out is not decided by the ratio itself: else those that by chance read high would be kept."""
    days = limits["days"]
    return record.once(("judged heat", days), lambda: _judged_sessions(record, days))


def _judged_sessions(record: Record, days: float) -> pl.DataFrame:
    parts = [
        metric_rows(record, f"pack_heat_{ratio}", "").join(
            metric_rows(record, f"pack_heat_{explained}").select("start_t", explained_k="value"),
            on="start_t",
            how="left",
            maintain_order="left",
        )
        for ratio, explained in (("ratio", "explained_k"), ("little_ratio", "little_k"))
    ]
    rows = pl.concat(parts).filter(pl.col("se") <= USEFUL_SE).sort("start_t", maintain_order=True)
    return recent(rows, days, 40)


def _pooled(rows: pl.DataFrame) -> tuple[float, float]:
    """Of one and more sessions."""
    value, se = pool(rows["value"].to_numpy(), rows["se"].to_numpy())
    weight = rows["se"].to_numpy() ** -2.0
    explained = rows["explained_k"].fill_null(1.0).to_numpy()
    shared = SHARED_K * float(weight @ (1.0 / explained) / weight.sum())
    return value, float(np.sqrt(se**2 + (KNOWN_AT_BEST * value) ** 2 + shared**2))


def why_no_ratio(record: Record, limits: Mapping[str, float]) -> str:
    """Which of the two is missing: sessions, or something to hold them against."""
    rows = judged_sessions(record, limits)
    if not rows.height:
        return "no recent session with enough load and a known temperature of the air to judge the heat by"
    value, se = _pooled(rows)
    warmed = f"the pack warmed {spell(value, 'times', se)} as much as typical cells of its size would, and "
    if any(reference(record, name, kind) for name in ("pack_heat_ratio", PER_MOHM) for kind in ("ride", "charge")):
        return warmed + f"fewer than {limits['sessions']:.0f} sessions had the load to hold it against the fleet"
    return (
        warmed + "there is no fleet reference of this profile to say what is usual: `herdbook store refit` makes one "
        "from five vehicles"
    )


def beyond_any_pack(record: Record, limits: Mapping[str, float]) -> Finding | None:
    """Warmer than a pack of poor cells and little mass would be under this load. One session must be surer than
    several are together: an odd day is in its error in part."""
    rows = judged_sessions(record, limits)
    if not rows.height:
        return None
    own = middle(recent(metric_rows(record, OWN_RESISTANCE), limits["days"])["value"]).value
    poorer = own / record.profile.pack_figures.cell_r10s_mohm if own > 0 else 1.0
    most = RESISTANCE_AT_MOST * max(poorer, 1.0) * RISE_AT_MOST
    rows = rows.with_columns(excess_k=(pl.col("value") - most) * pl.col("explained_k"))
    value, se = _pooled(rows)
    limit = most * (1.0 + limits["ratio"])
    sure = 2.0 if rows.height >= limits["sessions"] else limits["alone"]
    if value - sure * se < limit or largest(rows["excess_k"]) < limits["excess"]:
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
