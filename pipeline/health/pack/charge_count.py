"""Whether the reported charge moves as far as the counted current says it must, session by session.

Both come from one current sensor, so that its gain and zero do not matter: over a session the report moves by
100 * counted Ah / capacity that the electronics reckon with. A report that moves by three quarters of what the rated
capacity asks for reckons with a pack that does not exist. Sessions in which the report is set right or stands at a stop
(near 0 and 100 %) say nothing. It is read where the report changes from step to step (metrics/soc_count.py), and at
both ends of a session that shows too few steps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.lib.stride_tricks import sliding_window_view

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.newest_level import since_step
from herdbook.pipeline.health.pack.charge_ledger import LEAST_COVERAGE
from herdbook.pipeline.health.pooled import Pooled, pool
from herdbook.pipeline.health.reading import lately, metric_rows
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.times import column_micros

STOPS = 5.0, 97.0  # %: beyond them a report is set right or stands still (engineering choice)
ROUNDED = 0.41  # error of a difference of two rounded readings, in steps: sqrt(2 / 12)
LEAST_PCT = 2.0  # of rated charge has to flow before a session is asked (engineering choice)
LEAST_SUM_PCT = 12.0  # of rated charge in all sessions that are judged (engineering choice)
STEPPED_SUM_PCT = 4.0  # where each was read by its steps: they tell within a hundredth of it (engineering choice)
OWN = 0.03  # two sessions of one report differ by so much besides rounding: rests, warmth (engineering choice)
LEAST_EACH = 2  # sessions on either side of a step: one alone may have been set right on the way (engineering choice)
FAR = 4.0  # standard errors beyond which the report was set right within the session (engineering choice)


@dataclass(frozen=True, slots=True)
class Slowed:
    """share: of what the report moved by before its last step, for the same counted charge, it moves by since; se: its
    standard error; before: sessions before the step; now: since."""

    share: float
    se: float
    before: int
    now: Pooled


def moved(record: Record, days: float) -> Pooled | None:
    """Share of the counted charge, over the rated capacity, by which the report moved, since its last step; None where
    too little flowed."""
    found = record.once(("charge count", days), lambda: _sessions(record, days))
    return None if found is None else found[1]


def count_slowed(record: Record, days: float) -> Slowed | None:
    """How the report counts since its last step beside how it counted up to then; None where no step is certain, or
    too little flowed on either side."""
    found = record.once(("charge count", days), lambda: _sessions(record, days))
    if found is None or found[1] is None:
        return None
    whole, now = found[0], found[1]
    k = whole.count - now.count
    if min(k, now.count) < LEAST_EACH:
        return None
    value, se = pool(whole.values[:k], whole.ses[:k])
    if value <= 0:
        return None
    share = now.value / value
    return Slowed(share, float(np.hypot(now.se, share * se)) / value, k, now)


def _sessions(record: Record, days: float) -> tuple[Pooled, Pooled | None] | None:
    """All sessions, and those since the last step where enough flowed in them."""
    rated = record.profile.pack_figures.rated_ah
    run = metric_rows(record, "pack_run_ah").select("start_t", "end_t", "coverage", run="value").unique("start_t")
    first, last = (
        metric_rows(record, f"pack_soc_{side}_pct").select("start_t", pl.col("value").alias(side)).unique("start_t")
        for side in ("start", "end")
    )
    stepped = metric_rows(record, "pack_soc_moved_share").select("start_t", share="value", share_se="se")
    span = metric_rows(record, "pack_soc_moved_over_pct").select("start_t", over="value")
    stepped = stepped.join(span, on="start_t").unique("start_t")
    rows = run.join(first, on="start_t").join(last, on="start_t").join(stepped, on="start_t", how="left")
    rows = rows.sort("start_t")
    if not rows.height:
        return None
    step = _step(np.concatenate([rows["start"].to_numpy(), rows["end"].to_numpy()]))
    asked = pl.col("run") * 100.0 / rated
    inside = [pl.col(side).is_between(*STOPS) for side in ("start", "end")]
    by_ends = (asked.abs() > LEAST_PCT) & inside[0] & inside[1]
    by_steps = pl.col("share").is_not_null()
    rows = lately(record, rows.filter(pl.col("coverage") >= LEAST_COVERAGE, by_ends | by_steps), days)
    if not rows.height:
        return None
    ends = rows["run"].to_numpy() * 100.0 / rated
    with np.errstate(divide="ignore", invalid="ignore"):
        by_end = (rows["start"].to_numpy() - rows["end"].to_numpy()) / ends
    told, told_se, over = (
        rows[c].cast(pl.Float64).fill_null(float("nan")).to_numpy() for c in ("share", "share_se", "over")
    )
    known = np.isfinite(told)
    x = np.where(known, over, ends)
    values = np.where(known, told, by_end)
    ses = np.hypot(np.where(known, told_se, ROUNDED * step / np.abs(ends)), OWN)
    near = np.abs(values - _neighbours(values)) < FAR * ses
    value, se = pool(values[near], ses[near])
    start, end = (column_micros(rows[c])[near] for c in ("start_t", "end_t"))
    whole = Pooled("", value, se, int(near.sum()), values=values[near], ses=ses[near], starts=start, ends=end)
    now = since_step(whole)
    flowed = float(np.abs(x[near])[-now.count :].sum())
    least = STEPPED_SUM_PCT if known[near][-now.count :].all() else LEAST_SUM_PCT
    return whole, replace(now, item="count") if flowed >= least else None


def _step(said: Floats) -> float:
    """Resolution of the report, in %; 1 where it never moved."""
    gaps = np.diff(np.unique(np.round(said, 3)))
    return float(min(gaps.min(), 1.0)) if gaps.size else 1.0


def _neighbours(values: Floats) -> Floats:
    """The middle of five sessions in a row around each: a report that is set right once stands out of it, a count that
    has changed for good does not."""
    around = sliding_window_view(np.pad(values, 2, mode="reflect" if values.size > 2 else "edge"), 5)
    return np.asarray(np.median(around, axis=1))
