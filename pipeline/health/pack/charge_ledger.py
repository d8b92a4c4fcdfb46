"""One account of a pack's charge over sessions: what was counted, less the sensor's zero, with what nobody saw.

Everything that is reckoned over several sessions (capacity, efficiency, charge in the cold) takes its charge from here.
Entries: charge counted; the current sensor's zero times the hours; what the holes inside a session have lost; what the
reported charge says happened between sessions; standby while nothing was recorded. Each has an error, and errors of
many gaps add up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.times import column_micros

ZERO_A = 0.05  # zero error of a current sensor when no open switch showed it (engineering choice)
STANDBY_A = 0.003  # may be drawn between sessions: usual monitors take 0.1 to 5 mA (common practice)
LEAST_COVERAGE = 0.98  # of each session: what is lost in more is no longer a correction (engineering choice)
JUMP_PCT = 2.5  # reported charge may move by this much between two sessions (engineering choice)
TOUCH_H = 0.1  # sessions so near have nothing between them
REPORT_PCT = 0.5  # of a reported charge: its step of 1 %, both ends (engineering choice)
TRUSTED = 0.5  # share of itself by which a jump of the reported charge may be no charge but a correction
NEWEST = 20  # readings of the zero


@dataclass(frozen=True, slots=True)
class Zero:
    """What the current sensor reads where no current flows [A], positive as discharge."""

    amps: float
    se: float


def sensor_zero(metrics: pl.DataFrame) -> Zero:
    """From metric rows (start_t, name, value, se) of one pack, the newest readings; ZERO_A around 0 where none is."""
    named = (metrics["name"] == "pack_current_zero_a").to_numpy()
    rows = metrics[np.flatnonzero(named & np.isfinite(metrics["value"].to_numpy()))]
    if not rows.height:
        return Zero(0.0, ZERO_A)
    rows = rows.sort("start_t").tail(NEWEST)
    amps, se = pool(rows["value"].cast(pl.Float64).to_numpy(), rows["se"].cast(pl.Float64).to_numpy())
    return Zero(amps, se if np.isfinite(se) else ZERO_A)


@dataclass(frozen=True, slots=True)
class Unseen:
    """Between recorded sessions. up_pct, down_pct: charge that came and went unseen, by the report, as shares of the
    pack's; se_pct: of their difference. standby_ah: may have been drawn meanwhile."""

    up_pct: float
    down_pct: float
    se_pct: float
    standby_ah: float


@dataclass(frozen=True, slots=True)
class Counted:
    """out_ah: Ah that left between two moments, the zero taken off, holes inside sessions filled; se_ah without
    the sensor's gain. unseen: what the report says beside."""

    out_ah: float
    se_ah: float
    unseen: Unseen


@dataclass(frozen=True, slots=True)
class ChargeLedger:
    """Sessions in time order: start and end us, Ah out, coverage, reported charge at both ends in % (NaN: unknown)."""

    start: Times
    end: Times
    run: Floats
    coverage: Floats
    first: Floats
    last: Floats
    zero: Zero

    @staticmethod
    def of(metrics: pl.DataFrame) -> ChargeLedger:
        """metrics: start_t, end_t, name, item, value, se, coverage of one pack's sessions."""
        table = _one(metrics, "pack_run_ah").select("start_t", "end_t", run="value", coverage="coverage")
        for name, column in (("pack_soc_start_pct", "first"), ("pack_soc_end_pct", "last")):
            found = _one(metrics, name).select("start_t", pl.col("value").alias(column))
            table = table.join(found, on="start_t", how="left")
        table = table.sort("start_t")
        run, coverage, first, last = (
            table[c].cast(pl.Float64).to_numpy() for c in ("run", "coverage", "first", "last")
        )
        start, end = column_micros(table["start_t"]), column_micros(table["end_t"])
        zero = sensor_zero(metrics)
        return ChargeLedger(start=start, end=end, run=run, coverage=coverage, first=first, last=last, zero=zero)

    def at(self, t: int) -> int:
        """The session that runs at t; -1 before the first."""
        return int(np.searchsorted(self.start, t, side="right")) - 1

    def hours(self, a: int, b: int) -> float:
        """Recorded between two moments (us)."""
        i, j = self.at(a), self.at(b)
        inside = np.minimum(self.end[i : j + 1], b) - np.maximum(self.start[i : j + 1], a)
        return float((np.maximum(inside, 0) * self.coverage[i : j + 1]).sum()) / 3.6e9

    def between(self, a: int, run_a: float, b: int, run_b: float) -> Counted | None:
        """Charge that left between two moments (us), at which so much had left since their sessions began.

        None where a session is recorded too thinly, or the report moved too far between two of them or is not known."""
        i, j = self.at(a), self.at(b)
        if i < 0 or not (self.coverage[i : j + 1] >= LEAST_COVERAGE).all():
            return None
        unseen = between_sessions(
            self.start[i : j + 1], self.end[i : j + 1], self.first[i : j + 1], self.last[i : j + 1]
        )
        if unseen is None:
            return None
        part = self.run[i : j + 1].copy()
        part[-1] = run_b
        part[0] -= run_a
        hours, cover = self.hours(a, b), self.coverage[i : j + 1]
        lost = part * (1.0 - cover) / cover  # in the holes the current is taken to have gone on
        out = float(part.sum() + lost.sum()) - self.zero.amps * hours
        se = float(np.sqrt((lost**2).sum() + (self.zero.se * hours) ** 2 + unseen.standby_ah**2))
        return Counted(out, se, unseen)


def between_sessions(start: Times, end: Times, first: Floats, last: Floats) -> Unseen | None:
    """What the reported charge says about the gaps of sessions in a row; None where it moved too far, or is not known
    over a gap of any length."""
    gap_h = np.maximum(start[1:] - end[:-1], 0) / 3.6e9
    jump = first[1:] - last[:-1]
    touch = gap_h < TOUCH_H
    with np.errstate(invalid="ignore"):
        if not ((np.abs(jump) <= JUMP_PCT) | (np.isnan(jump) & touch)).all():
            return None
    told = np.nan_to_num(jump)
    moved = np.where(np.abs(told) > REPORT_PCT, told, 0.0)  # less is within the report's step, yet may add up
    se = np.hypot(np.where(touch, 0.0, REPORT_PCT), TRUSTED * moved)
    return Unseen(
        up_pct=float(moved[moved > 0].sum()),
        down_pct=float(-moved[moved < 0].sum()),
        se_pct=float(np.hypot(np.sqrt((se**2).sum()), abs((told - moved).sum()))),
        standby_ah=STANDBY_A * float(gap_h.sum()),
    )


def _one(metrics: pl.DataFrame, name: str) -> pl.DataFrame:
    rows = metrics.filter(pl.col("name") == name, pl.col("value").is_finite())
    return rows.unique("start_t", keep="first", maintain_order=True)
