"""Capacity of the pack by single charges to full, wherever they began: which part of its curve each drew.

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
MOST = 4  # charges, the longest: more of them hardly tell more (engineering choice)
LEAST_PIECES = 6
ALIKE = 0.3  # share by which the current may be off its middle (engineering choice)
NEAR_FULL = 0.04  # of the rated charge before full: there a per cent is tens of millivolts (engineering choice)
GAIN = 0.01  # of the current sensor (engineering choice)
MOST_MISFIT = 1.6  # such a charge no curve that is tried explains (engineering choice)
LFP = "LFP"


@dataclass(frozen=True, slots=True)
class SpanCapacity:
    """pct of rated capacity and its standard error; put_ah: by the longest charge; begin_pct: charge at which it began;
    windows, seconds: the charges behind it, newest first."""

    pct: float
    se: float
    put_ah: float
    begin_pct: float
    charges: int
    windows: tuple[Window, ...]
    seconds: float


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
    zero, ohm = sensor_zero(record.metrics).amps, usual_ohm(record.profile)
    found: list[tuple[float, Stretch, int, int]] = []
    for start, level, level_se, run in full.select("session_start_t", "soc_pct", "se_pct", "run_ah").iter_rows():
        part = rows.filter(pl.col("session_start_t") == start).sort("start_t")
        until = full.filter(pl.col("session_start_t") == start)["start_t"]
        one = _stretch(part, float(run), column_micros(until)[0], zero, ohm, pack.rated_ah, (level, level_se))
        if one is not None:
            share = 0.0 if one.full is None else one.full[0]
            found.append((share, one, int(column_micros(part["start_t"])[0]), int(column_micros(until)[0])))
    found = sorted(found, key=lambda f: -f[0])[:MOST]
    if not found:
        return None
    held = held_by([f[1] for f in reversed(found)])
    if held.misfit > MOST_MISFIT:
        return None
    windows = sorted((Window(f[2], f[3]) for f in found), key=lambda w: -w.start)
    return SpanCapacity(
        pct=100.0 * held.capacity,
        se=100.0 * float(np.hypot(held.se, GAIN * held.capacity)),
        put_ah=found[0][0] * pack.rated_ah,
        begin_pct=100.0 * max(held.begin, 0.0),
        charges=len(found),
        windows=tuple(windows),
        seconds=sum((w.end - w.start) / 1e6 for w in windows),
    )


def _stretch(
    part: pl.DataFrame, run: float, full_t: int, zero: float, ohm: float, rated: float, full: tuple[float, float]
) -> Stretch | None:
    """The readings of one charge session; None where too few, or too little flowed."""
    t = column_micros(part["start_t"])
    kind = part["item"].to_numpy()
    charging = kind == "charge"
    if charging.sum() < LEAST_PIECES:
        return None
    begin = t[charging][0]
    hours = (t - begin) / 3.6e9

    def put(out_ah: np.ndarray, at_h: np.ndarray) -> np.ndarray:
        return np.asarray(-(out_ah - zero * np.maximum(at_h, 0.0)) / rated)

    share = put(part["run_ah"].to_numpy(), hours)
    share_full = float(put(np.array([run]), np.array([(full_t - begin) / 3.6e9]))[0])
    amps = part["current_a"].to_numpy() - zero
    usual = float(np.median(amps[charging]))
    alike = np.abs(amps - usual) < ALIKE * abs(usual)
    resting = (kind == "quiet") & (t < begin)
    kept = (charging & alike & (share < share_full - NEAR_FULL)) | resting
    if (kept & charging).sum() < LEAST_PIECES or share_full < LEAST_SPAN:
        return None
    return Stretch(
        share=share[kept],
        seconds=np.maximum(hours[kept], 0.0) * 3600.0,
        volts=part["median_v"].to_numpy()[kept],
        drop=np.where(resting, 0.0, -ohm * amps)[kept],
        resting=resting[kept],
        full=(share_full, full[0] / 100.0, full[1] / 100.0),
    )
