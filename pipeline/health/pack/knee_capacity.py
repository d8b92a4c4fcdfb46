"""Capacity of the pack by where its voltage falls off, counted from full: no rest near empty and no charge seen whole.

The reported charge counts current while nothing is logged as well; since it was last set at a full charge it tells how
far below full each moment lies, in the ampere hours that the electronics reckon with (charge_count.py). Where the
voltage has left its plateau it tells how near empty the pack is. A pack that is empty when the report still says a
third has lost a third. Cold sessions are left out: there resistance passes for emptiness.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Bools, Floats, Indices, Times
from herdbook.pipeline.health.pack.charge_count import moved
from herdbook.pipeline.health.pack.charge_ledger import sensor_zero
from herdbook.pipeline.health.pack.reported import places
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.health.reading import event_table, lately, metric_rows
from herdbook.pipeline.health.rule import Record, Window
from herdbook.pipeline.metrics.shared.group_ohm import usual_ohm
from herdbook.pipeline.times import DAY, column_micros
from herdbook.pipeline.vehicle.chemistry import ocv_of

FULL_PCT = 97.0  # a report that stood so high was set, or reached, by a full charge (engineering choice)
FULL_DAYS = 21.0  # for so long after it the count is taken from there (engineering choice)
PLACED = 0.10  # places less sure than that (reported.py) say nothing
WARM_C = 8.0  # under it the drop of a load is not known well enough (engineering choice)
# Error of a reading without current, V; what load adds, as a share of the usual drop of ten seconds, itself taken out:
# minutes of load hold as much again, and a pack may be half as resistive again (engineering choices).
REST_V, DROP = 0.012, 1.0
WORST_PCT, EMPTY_PCT = 4.0, 20.0  # error of what is left, and the most that may be left (engineering choices)
TABLE_PCT = 2.0  # of the curve's foot, the same in every session (engineering choice: published curves at 3.0 V)
COUNT = 0.02  # of the charge counted from full, alike in all sessions: a zero, no real full (engineering choice)
GAIN = 0.01  # of the current sensor (engineering choice)
MOST_ZERO_C = 0.01  # a zero of the current sensor beyond which no count holds for days (engineering choice)


@dataclass(frozen=True, slots=True)
class KneeCapacity:
    """pct of rated capacity and its standard error; said_pct: what the report said at the emptiest moment; left_pct:
    what the pack then held by its voltage; sessions behind it, windows newest first."""

    pct: float
    se: float
    said_pct: float
    left_pct: float
    sessions: int
    windows: tuple[Window, ...]
    seconds: float


def knee_capacity(record: Record, days: float) -> KneeCapacity | None:
    """None where no moment near empty can be counted from full."""
    return record.once(("knee capacity", days), lambda: _knee_capacity(record, days))


def _knee_capacity(record: Record, days: float) -> KneeCapacity | None:
    rows = lately(record, event_table(record, "group_levels", ("soc_pct", "run_ah", "median_v", "current_a")), days)
    ocv = ocv_of(record.profile.pack)
    if ocv is None or not rows.height:
        return None
    rows = rows.sort("start_t")
    rated = record.profile.pack_figures.rated_ah
    start = column_micros(rows["session_start_t"])
    full = _since_full(record, start)
    if not full.any():
        return None
    run = rows["run_ah"].to_numpy() / rated
    said = rows["soc_pct"].cast(pl.Float64).fill_null(float("nan")).to_numpy() / 100.0
    place = places(record, start, said, run)
    z = np.array([place[int(k)].start for k in start]) - run
    loose = np.array([place[int(k)].se for k in start])
    volts, amps = (rows[c].to_numpy() for c in ("median_v", "current_a"))
    error = np.hypot(REST_V, DROP * usual_ohm(record.profile) * np.abs(amps))
    left = np.array([ocv.soc(float(v), float(e)) for v, e in zip(volts, error, strict=True)])
    with np.errstate(invalid="ignore"):
        kept = np.isfinite(z) & (loose < PLACED) & full & ~_cold(record, start)
        kept &= (left[:, 1] <= WORST_PCT) & (left[:, 0] > 0.0) & (left[:, 0] < EMPTY_PCT) & (z > 0.0) & (z < 1.0)
    if not kept.any():
        return None
    counted = moved(record, days)
    if counted is None or not counted.value > 0 or abs(sensor_zero(record.metrics).amps) > MOST_ZERO_C * rated:
        return None  # nobody knows in which ampere hours the report counts
    at = _emptiest(start, left[:, 0], kept)
    rate, rate_se = counted.value, counted.se
    held = (1.0 - z[at]) / rate / (1.0 - left[at, 0] / 100.0)
    value, own = pool(held, held * np.hypot(left[at, 1] / (100.0 - left[at, 0]), loose[at]))
    shared = float(np.sqrt((TABLE_PCT / 100.0) ** 2 + COUNT**2 + GAIN**2 + (rate_se / rate) ** 2))
    deepest = at[int(left[at, 0].argmin())]
    ends = column_micros(rows["end_t"])[at]
    begin = column_micros(rows["start_t"])[at]
    return KneeCapacity(
        pct=100.0 * value,
        se=100.0 * float(np.hypot(own, shared * value)),
        said_pct=100.0 * float(z[deepest]),
        left_pct=float(left[deepest, 0]),
        sessions=at.size,
        windows=tuple(Window(int(a), int(b)) for a, b in zip(begin[::-1][:10], ends[::-1][:10], strict=True)),
        seconds=float((ends - begin).sum()) / 1e6,
    )


def _emptiest(session: Times, left: Floats, kept: Bools) -> Indices:
    """Row numbers: of each session the kept moment with least charge left."""
    return np.array(
        [
            rows[int(left[rows].argmin())]
            for k in np.unique(session[kept])
            if (rows := np.flatnonzero(kept & (session == k))).size
        ]
    )


def _since_full(record: Record, start: Times) -> Bools:
    """Sessions with a full charge seen, or reported, not too long before their own end."""
    high = metric_rows(record, "pack_soc_highest_pct").filter(pl.col("value") >= FULL_PCT)
    anchors = event_table(record, "charge_anchor", ("soc_pct",)).filter(pl.col("item") == "full")
    seen = np.sort(np.concatenate([column_micros(high["start_t"]), column_micros(anchors["session_start_t"])]))
    if not seen.size:
        return np.zeros(start.size, bool)
    at = np.searchsorted(seen, start, side="right") - 1
    return np.asarray((at >= 0) & (start - seen[np.maximum(at, 0)] <= FULL_DAYS * DAY))


def _cold(record: Record, start: Times) -> Bools:
    """Sessions whose coldest cell sensor stood under WARM_C, or told nothing."""
    rows = metric_rows(record, "temp_lowest_c").filter(pl.col("item").str.starts_with("cell"))
    coldest = rows.group_by("start_t").agg(pl.col("value").median())
    warm = coldest.filter(pl.col("value") >= WARM_C)
    return np.asarray(~np.isin(start, column_micros(warm["start_t"])))
