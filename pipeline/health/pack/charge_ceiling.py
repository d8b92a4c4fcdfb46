"""Whether charges end at one and the same reported charge, short of full, with the current still flowing.

A rider pulls the plug whenever he leaves: such ends scatter. Ends that lie within the report's own step of each other,
charge after charge, were made by a device: a charger or a battery monitor that stops there, or a limit that was set.
No charger has to speak on the bus for that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.health.reading import event_table, metric_rows
from herdbook.pipeline.health.rule import Record, Window
from herdbook.pipeline.times import column_micros

FULL_PCT = 95.0  # from here on a charge is as good as full (engineering choice)
SAME_PCT = 1.0  # a report in whole per cent reads either side of one charge
# Of all charges that ended with current flowing there or before that place, so many must have ended there (engineering
# choice).
LEAST_SHARE = 0.75
MOST_CHANCE = 0.1  # that hands did it (engineering choice)
FLOWS_C = 0.1  # a charge that is nearly full has tapered below (engineering choice)
# Plugged out by hand, ends lie anywhere over so much of the charge (engineering choice: who charges to about four
# fifths ends between 75 and 85 %).
BY_HAND_PCT = 10.0
AFTER_S = 900.0  # the next session begins so soon: what it reports first is how the charge ended


@dataclass(frozen=True, slots=True)
class Ceiling:
    """pct: where the charges end; spread: between the highest and the lowest; charges: how many in a row, up to the
    newest; chance: that ends by hand fall together so closely; before: charges before them that ended above."""

    pct: float
    spread: float
    charges: int
    chance: float
    before: int
    windows: tuple[Window, ...]


def ceiling(record: Record, days: float) -> Ceiling | None:
    """The newest charges of the last so many days that ended alike; None where fewer than two did."""
    ends = _ends(record, days)
    if ends.height < 2:
        return None
    pct = ends["pct"].to_numpy()
    early = (pct < FULL_PCT) & ends["flows"].to_numpy()
    alike = 0
    for k in range(1, pct.size + 1):
        newest = pct[-k:]
        if not early[-k:].all() or np.ptp(newest) > SAME_PCT:
            break
        alike = k
    if alike < 2:
        return None
    newest = pct[-alike:]
    spread = float(np.ptp(newest))
    by_hand = int((early[:-alike] & (pct[:-alike] < newest.min())).sum())
    chance = _by_hand(max(spread, _step(record)), alike)
    if alike < LEAST_SHARE * (alike + by_hand) or chance > MOST_CHANCE:
        return None
    starts, stops = column_micros(ends["start_t"])[-alike:], column_micros(ends["end_t"])[-alike:]
    return Ceiling(
        pct=float(np.median(newest)),
        spread=spread,
        charges=alike,
        chance=chance,
        before=int((pct[:-alike] > newest.max() + SAME_PCT).sum()),
        windows=tuple(Window(int(a), int(b)) for a, b in zip(starts[::-1][:10], stops[::-1][:10], strict=True)),
    )


def _step(record: Record) -> float:
    """Resolution of the report, in %."""
    said = [metric_rows(record, f"pack_soc_{side}_pct")["value"].to_numpy() for side in ("start", "end")]
    gaps = np.diff(np.unique(np.round(np.concatenate(said), 2)))
    return float(min(gaps.min(), SAME_PCT)) if gaps.size else SAME_PCT


def _by_hand(spread: float, n: int) -> float:
    """Chance that n ends, each anywhere over BY_HAND_PCT, lie within `spread`: the law of the range of a uniform
    sample, n r^(n-1) - (n-1) r^n (H. A. David, H. N. Nagaraja, Order Statistics, 2003, chapter 2)."""
    r = min(spread / BY_HAND_PCT, 1.0)
    return float(n * r ** (n - 1) - (n - 1) * r**n)


def _ends(record: Record, days: float) -> pl.DataFrame:
    """One row a charge, in order of time: start_t, end_t, pct it reported at its end, and whether current still flowed
    then with no group ahead at its limit."""
    rated = record.profile.pack_figures.rated_ah
    ends = event_table(record, "charge", ("end_a",)).select("session_start_t", "start_t", "end_t", "item", "end_a")
    highest = metric_rows(record, "pack_soc_highest_pct").select(
        pl.col("start_t").alias("session_start_t"), pl.col("value").alias("inside")
    )
    rows = ends.join(highest, on="session_start_t", how="inner").sort("end_t")
    after = metric_rows(record, "pack_soc_start_pct").select(
        pl.col("start_t").alias("next_t"), pl.col("value").alias("after")
    )
    rows = rows.join_asof(
        after.sort("next_t"),
        left_on="end_t",
        right_on="next_t",
        strategy="forward",
        tolerance=f"{AFTER_S:.0f}s",
    )
    rows = rows.with_columns(
        pct=pl.max_horizontal("inside", "after"),
        flows=(pl.col("end_a").fill_null(0.0) > FLOWS_C * rated)
        & pl.col("item").is_in(["unplugged", "stopped_short", "complete"]),
    ).filter(pl.col("item") != "still_charging")
    if rows.height:
        rows = rows.filter(pl.col("start_t") >= pl.col("start_t").max() - pl.duration(days=days))
    return rows
