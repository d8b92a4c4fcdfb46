"""Capacity of the pack by its longest charge to full, wherever that began: which part of its curve it drew.

No rest near empty has to be recorded, and no table of the curve is believed (science/charge_span.py). Charges count of
which every second was recorded, under a current that hardly changes, with a moment at which the pack was surely full.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.health.pack.charge_ledger import LEAST_COVERAGE, sensor_zero
from herdbook.pipeline.health.reading import event_table, lately, metric_rows
from herdbook.pipeline.health.rule import Record, Window
from herdbook.pipeline.metrics.shared.group_ohm import usual_ohm
from herdbook.pipeline.science.charge_span import Stretch, held_by
from herdbook.pipeline.times import column_micros

LEAST_SPAN = 0.3  # of the rated charge: less tells nothing (engineering choice)
LEAST_PIECES = 6
ALIKE = 0.3  # share by which the current may be off its middle (engineering choice)
NEAR_FULL = 0.04  # of the rated charge before full: there a per cent is tens of millivolts (engineering choice)
GAIN = 0.01  # of the current sensor (engineering choice)
# A charge that lies further off the best curve is none of these; of simulated cells one in a hundred reaches 1
# (engineering choice)
MOST_MISFIT = 1.3
NEWEST = 3  # charges of which the longest is taken: what a pack held long ago says little of today (engineering choice)
LFP = "LFP"


@dataclass(frozen=True, slots=True)
class SpanCapacity:
    """pct of rated capacity and its standard error; put_ah: by that charge; begin_pct: charge at which it began."""

    pct: float
    se: float
    put_ah: float
    begin_pct: float
    window: Window


def span_capacity(record: Record, days: float) -> SpanCapacity | None:
    """None where no charge to full was long enough, or none is explained by any curve."""
    return record.once(("span capacity", days), lambda: _span_capacity(record, days))


def _span_capacity(record: Record, days: float) -> SpanCapacity | None:
    pack = record.profile.pack_figures
    rows = lately(record, event_table(record, "group_levels", ("run_ah", "median_v", "current_a")), days)
    full = event_table(record, "charge_anchor", ("soc_pct", "se_pct", "run_ah")).filter(pl.col("item") == "full")
    if pack.of_chemistry.name != LFP or not rows.height or not full.height:
        return None
    whole = metric_rows(record, "pack_run_ah").filter(pl.col("coverage") >= LEAST_COVERAGE)["start_t"]
    full = full.unique("session_start_t", keep="last").filter(pl.col("session_start_t").is_in(whole.implode()))
    found: list[tuple[Stretch, Window]] = []
    for one in full.sort("start_t", descending=True).iter_slices(1):
        part = rows.filter(pl.col("session_start_t") == one["session_start_t"][0]).sort("start_t")
        stretch = _stretch(record, part, one)
        if stretch is not None:
            found.append((stretch, Window(column_micros(part["start_t"])[0], column_micros(one["start_t"])[0])))
        if len(found) == NEWEST:
            break
    if not found:
        return None
    longest, window = max(found, key=lambda f: f[0].full[0])
    held = held_by(longest)
    if held.misfit > MOST_MISFIT:
        return None
    return SpanCapacity(
        pct=100.0 * held.capacity,
        se=100.0 * float(np.hypot(held.se, GAIN * held.capacity)),
        put_ah=longest.full[0] * pack.rated_ah,
        begin_pct=100.0 * max(held.begin, 0.0),
        window=window,
    )


def _stretch(record: Record, part: pl.DataFrame, full: pl.DataFrame) -> Stretch | None:
    """The readings of one charge (part: of group_levels) that was full (one row); None where too few, or too little
    flowed."""
    t, kind = column_micros(part["start_t"]), part["item"].to_numpy()
    charging = kind == "charge"
    if charging.sum() < LEAST_PIECES:
        return None
    rated, zero = record.profile.pack_figures.rated_ah, sensor_zero(record.metrics).amps
    begin = t[charging][0]
    hours = np.maximum(t - begin, 0) / 3.6e9
    share = (zero * hours - part["run_ah"].to_numpy()) / rated
    hours_full = (column_micros(full["start_t"])[0] - begin) / 3.6e9
    share_full = float(zero * hours_full - full["run_ah"][0]) / rated
    amps = part["current_a"].to_numpy() - zero
    usual = float(np.median(amps[charging]))
    resting = (kind == "quiet") & (t < begin)
    used = charging & (np.abs(amps - usual) < ALIKE * abs(usual)) & (share < share_full - NEAR_FULL)
    kept = used | resting
    if used.sum() < LEAST_PIECES or share_full < LEAST_SPAN:
        return None
    return Stretch(
        share=share[kept],
        seconds=hours[kept] * 3600.0,
        volts=part["median_v"].to_numpy()[kept],
        drop=np.where(resting, 0.0, -usual_ohm(record.profile) * amps)[kept],
        resting=resting[kept],
        full=(share_full, float(full["soc_pct"][0]) / 100.0, float(full["se_pct"][0]) / 100.0),
    )
