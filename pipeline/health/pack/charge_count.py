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

from herdbook.pipeline.arrays import Bools, Floats, Times
from herdbook.pipeline.health.newest_level import since_step
from herdbook.pipeline.health.pack.charge_ledger import LEAST_COVERAGE
from herdbook.pipeline.health.pooled import Pooled, pool
from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.times import DAY, column_micros

STOPS = 5.0, 97.0  # %: beyond them a report is set right or stands still (engineering choice)
ROUNDED = 0.41  # error of a difference of two rounded readings, in steps: sqrt(2 / 12)
LEAST_PCT = 2.0  # of rated charge has to flow before a session is asked (engineering choice)
LEAST_SUM_PCT = 12.0  # of rated charge in all sessions that are judged (engineering choice)
STEPPED_SUM_PCT = 4.0  # where each was read by its steps: they tell within a hundredth of it (engineering choice)
OWN = 0.03  # two sessions of one report differ by so much besides rounding: rests, warmth (engineering choice)
LEAST_EACH = 2  # sessions on either side of a step: one alone may have been set right on the way (engineering choice)
LEAST_WAY = 3  # sessions of either direction before the two are held against each other (engineering choice)
APART = 4.0  # standard errors by which rides and charges differ (engineering choice: 1 in 16,000 by chance)
FAR = 4.0  # standard errors beyond which the report was set right within the session (engineering choice)


@dataclass(frozen=True, slots=True)
class Slowed:
    """share: of what the report moved by before its last step, for the same counted charge, it moves by since; se: its
    standard error; before: sessions before the step; now: since."""

    share: float
    se: float
    before: int
    now: Pooled


@dataclass(frozen=True, slots=True)
class ByDirection:
    """out, back: the sessions in which charge left and in which it came back; share: by how much the report moves while
    it comes back over how much while it leaves, for the same counted charge, with its standard error."""

    out: Pooled
    back: Pooled
    share: float
    se: float


def moved(record: Record, days: float) -> Pooled | None:
    """Share of the counted charge, over the rated capacity, by which the report moved, since its last step; None where
    too little flowed. Where rides and charges differ, that of rides: it is what a rider goes by."""
    found = record.once(("charge count", days), lambda: _sessions(record, days))
    return None if found is None else found.now


def count_by_direction(record: Record, days: float) -> ByDirection | None:
    """None where rides and charges count alike, or too few of either tell."""
    found = record.once(("charge count", days), lambda: _sessions(record, days))
    return None if found is None else found.apart


def count_slowed(record: Record, days: float) -> Slowed | None:
    """How the report counts since its last step beside how it counted up to then; None where no step is certain, or
    too little flowed on either side."""
    found = record.once(("charge count", days), lambda: _sessions(record, days))
    if found is None or found.now is None:
        return None
    whole, now = found.whole, found.now
    k = whole.count - now.count
    if min(k, now.count) < LEAST_EACH:
        return None
    value, se = pool(whole.values[:k], whole.ses[:k])
    if value <= 0:
        return None
    share = now.value / value
    return Slowed(share, float(np.hypot(now.se, share * se)) / value, k, now)


@dataclass(frozen=True, slots=True)
class _Count:
    """whole: all sessions, or all rides where charges differ from them (apart); now: those since the last step where
    enough flowed in them."""

    whole: Pooled
    now: Pooled | None
    apart: ByDirection | None


def _sessions(record: Record, days: float) -> _Count | None:
    rated = record.profile.pack_figures.rated_ah
    run = metric_rows(record, "pack_run_ah")
    first, last = (_by_session(metric_rows(record, f"pack_soc_{side}_pct")) for side in ("start", "end"))
    times = dict(zip(column_micros(run["start_t"]).tolist(), range(run.height), strict=True))  # the last of each
    asked = sorted(t for t in times if t in first and t in last)
    if not asked:
        return None
    start, end = (np.array([side[t] for t in asked]) for side in (first, last))
    step = _step(np.concatenate([start, end]))
    rows = run[[times[t] for t in asked]]
    told, told_se, over = _told_by_steps(record, asked)
    ends = rows["value"].to_numpy() * 100.0 / rated
    by_ends = (np.abs(ends) > LEAST_PCT) & _between_stops(start) & _between_stops(end)
    wanted = (rows["coverage"].to_numpy() >= LEAST_COVERAGE) & (by_ends | np.isfinite(told))
    if not wanted.any():
        return None
    begin = column_micros(rows["start_t"])
    wanted &= begin >= column_micros(record.sessions["end_t"]).max() - round(days * DAY)
    if not wanted.any():
        return None
    start, end, ends, told, told_se, over = (x[wanted] for x in (start, end, ends, told, told_se, over))
    begin, until = begin[wanted], column_micros(rows["end_t"])[wanted]
    with np.errstate(divide="ignore", invalid="ignore"):
        by_end = (start - end) / ends
    known = np.isfinite(told)
    x = np.where(known, over, ends)
    values = np.where(known, told, by_end)
    ses = np.hypot(np.where(known, told_se, ROUNDED * step / np.abs(ends)), OWN)
    leaves = rows["value"].to_numpy()[wanted] > 0
    near = np.abs(values - _neighbours(values)) < FAR * ses
    for way in (leaves, ~leaves):  # a report that is set right once stands out of those of its own direction
        if way.sum() >= LEAST_WAY:
            near[way] = np.abs(values[way] - _neighbours(values[way])) < FAR * ses[way]
    every = _pooled(values, ses, begin, until, near)
    apart = _apart(*(_pooled(values, ses, begin, until, near & way) for way in (leaves, ~leaves)))
    if apart is not None and _steps_explain(every, leaves[near]):
        apart = None
    kept = near if apart is None else near & leaves
    whole = every if apart is None else apart.out
    now = since_step(whole)
    flowed = float(np.abs(x[kept])[-now.count :].sum())
    least = STEPPED_SUM_PCT if known[kept][-now.count :].all() else LEAST_SUM_PCT
    return _Count(whole, replace(now, item="count") if flowed >= least else None, apart)


def _pooled(values: Floats, ses: Floats, begin: Times, until: Times, kept: Bools) -> Pooled:
    value, se = pool(values[kept], ses[kept]) if kept.any() else (float("nan"), float("inf"))
    n = int(kept.sum())
    return Pooled("", value, se, n, values=values[kept], ses=ses[kept], starts=begin[kept], ends=until[kept])


def _apart(out: Pooled, back: Pooled) -> ByDirection | None:
    if min(out.count, back.count) < LEAST_WAY or out.value <= 0:
        return None
    share = back.value / out.value
    se = float(np.hypot(back.se, share * out.se)) / out.value
    return ByDirection(out, back, share, se) if abs(1.0 - share) > APART * se else None


def _steps_explain(every: Pooled, leaves: Bools) -> bool:
    """Whether one change in time explains the sessions as well as their two directions do: as where all rides came
    first. Both take two levels, so that their misfits compare as they are."""
    weight = every.ses**-2.0

    def misfit(first: Bools) -> float:
        return sum(
            float(weight[part] @ (every.values[part] - np.average(every.values[part], weights=weight[part])) ** 2)
            for part in (first, ~first)
            if part.any()
        )

    order = np.arange(every.count)
    return min(misfit(order < k) for k in range(1, every.count)) <= misfit(leaves)


def _by_session(rows: pl.DataFrame, column: str = "value") -> dict[int, float]:
    """By start of the session, us; NaN where nothing is told."""
    values = rows[column].cast(pl.Float64).to_numpy()
    return dict(zip(column_micros(rows["start_t"]).tolist(), values.tolist(), strict=True))


def _told_by_steps(record: Record, asked: list[int]) -> tuple[Floats, Floats, Floats]:
    """Share of the counted charge by which the report stepped on, its standard error, and over how many per cent; NaN
    where it was not read by its steps. asked: starts of sessions, us."""
    stepped = metric_rows(record, "pack_soc_moved_share")
    over = _by_session(metric_rows(record, "pack_soc_moved_over_pct"))
    share, share_se = _by_session(stepped), _by_session(stepped, "se")
    nan = float("nan")
    known = [t if t in share and t in over else None for t in asked]
    told, told_se, pct = (np.array([nan if t is None else of[t] for t in known]) for of in (share, share_se, over))
    return told, told_se, pct


def _between_stops(said: Floats) -> Bools:
    return np.asarray((said >= STOPS[0]) & (said <= STOPS[1]))


def _step(said: Floats) -> float:
    """Resolution of the report, in %; 1 where it never moved."""
    gaps = np.diff(np.unique(np.round(said, 3)))
    return float(min(gaps.min(), 1.0)) if gaps.size else 1.0


def _neighbours(values: Floats) -> Floats:
    """The middle of five sessions in a row around each: a report that is set right once stands out of it, a count that
    has changed for good does not."""
    around = sliding_window_view(np.pad(values, 2, mode="reflect" if values.size > 2 else "edge"), 5)
    return np.asarray(np.median(around, axis=1))
