"""Charge offsets of the groups over the record, with resistance known from rides taken out.

Where a charge could not measure its groups' resistance, its readings lean on the usual one. Rides measure
the median group's resistance and the ratio of each group to it; with both the reading is corrected, and what
stays unknown is added once, after pooling: it is the same in every reading and does not average out. A group
whose resistance hides its knee near full has no reading there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.health.pooled import Pooled, pool, pooled
from herdbook.pipeline.health.reading import metric_rows, only, places
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.metrics.shared.group_ohm import usual_ohm
from herdbook.pipeline.times import column_micros

R_SPREAD = 0.15  # usual spread of resistance in a pack (common practice), as in the metric's own error
KNOWN_SPREAD = 0.03  # of a ratio measured in rides and used for a charge (engineering choice)
# Of the pack's resistance in rides, used for a charge: ten kelvin between them are 35 % (0.28 eV), and minutes of
# charge hold more polarisation than a ride's pulses (engineering choice)
PACK_SPREAD = 0.25
NEWEST = 4  # rides behind a ratio: what a group's resistance is now, not before it rose (engineering choice)
# With so much more drop than the others a group passes the others' knee while it is on its own plateau: the reading
# is then tens of per cent off, in no proportion to the drop (engineering choice: half of the step at 70 % of charge)
HIDDEN_V = 0.02
LEAST_PCT = 0.05
# Five kelvin change a cell's resistance by 18 % (activation energy 0.28 eV); of 40 mV at a usual charger's current
# that is 7 mV, or 0.7 % of charge where the curve rises by 10 mV a per cent: under what is looked at.
EVEN_K = 5.0


@dataclass(frozen=True, slots=True)
class Offsets:
    """One group's readings in time order, in % of rated charge. own: error of each alone; shared: of all
    alike. starts, ends: microseconds UTC."""

    item: str
    values: Floats
    own: Floats
    shared: float
    starts: Times
    ends: Times

    def pooled(self) -> Pooled:
        value, se = pool(self.values, self.own)
        return Pooled(
            item=self.item,
            value=value,
            se=float(np.hypot(se, self.shared)),
            count=self.values.size,
            values=self.values,
            ses=np.hypot(self.own, self.shared),
            starts=self.starts,
            ends=self.ends,
        )


def offsets(record: Record, end: str, days: float) -> dict[str, Offsets]:
    """By group. end: "top" or "bottom". days: how far back from the newest reading."""
    return dict(record.once(("offsets", end, days), lambda: _offsets(record, end, days)))


def _offsets(record: Record, end: str, days: float) -> dict[str, Offsets]:
    rows = metric_rows(record, f"cell_offset_{end}_pct")
    if not rows.height:
        return {}
    rows = rows.select("start_t", "end_t", "item", "value", "se")
    newest = rows["start_t"].max()
    assert isinstance(newest, datetime)
    rows = _even(record, rows.filter(pl.col("start_t") >= newest - timedelta(days=days)))
    lean = metric_rows(record, f"cell_offset_{end}_lean_pct").select("start_t", "item", pl.col("value").alias("lean"))
    rows = rows.join(lean, on=["start_t", "item"], how="left").with_columns(pl.col("lean").fill_null(0.0))
    ratios = pooled(record, "cell_r_ratio", last_days=60.0, most=NEWEST)
    scale = _scale(record)
    drop = scale * usual_ohm(record.profile) * _charger_a(record)
    out = {}
    rows = rows.sort("start_t", maintain_order=True)
    for item, at in places(rows).items():
        ratio = ratios.get(item)
        known = ratio is not None and ratio.se < R_SPREAD
        if ratio and known and end == "top" and abs(ratio.value - 1.0) * drop > HIDDEN_V:
            continue
        out[item] = _group(
            item,
            rows[at],
            ratio.value if ratio and known else 1.0,
            max(ratio.se, KNOWN_SPREAD) if ratio and known else R_SPREAD,
            scale,
        )
    return out


def _charger_a(record: Record) -> float:
    return record.profile.pack_figures.charger_a


def _scale(record: Record) -> float:
    """The pack's resistance as rides show it over the usual one; 1 where no ride does."""
    load = pooled(record, "group_r_load_mohm", last_days=60.0).get("")
    return 1.0 if load is None else load.value / (1000.0 * usual_ohm(record.profile))


def _group(item: str, part: pl.DataFrame, ratio: float, spread: float, scale: float) -> Offsets:
    """Higher resistance lifts the group's voltage while charging: it seemed fuller than it is."""
    usual = part["lean"].to_numpy()
    se = part["se"].fill_null(0.0).to_numpy()
    own = np.sqrt(np.maximum(se**2 - (R_SPREAD * usual) ** 2, LEAST_PCT**2))
    lean = usual * scale
    values = part["value"].to_numpy() - lean * (ratio - 1.0)
    shared = float(np.hypot(spread, PACK_SPREAD * (ratio - 1.0)) * np.median(lean))
    return Offsets(
        item=item,
        values=values,
        own=own,
        shared=shared,
        starts=column_micros(part["start_t"]),
        ends=column_micros(part["end_t"]),
    )


def _even(record: Record, rows: pl.DataFrame) -> pl.DataFrame:
    """Without sessions whose groups were at different temperatures: there a shift is resistance, not charge."""
    spread = metric_rows(record, "cell_temp_spread_k").select("start_t", spread="value").unique("start_t")
    return rows.join(spread, on="start_t", how="left", maintain_order="left").filter(
        pl.col("spread").is_null() | (pl.col("spread") <= EVEN_K)
    )


def uneven(record: Record) -> str:
    """A sentence for a refusal when sessions were left out for their temperatures; else nothing."""
    rows = metric_rows(record, "cell_temp_spread_k")
    count = only(rows, rows["value"].to_numpy() > EVEN_K)["start_t"].n_unique()
    if not count:
        return ""
    verb = "is" if count == 1 else "are"
    return f"; {counted(count, 'session')} {verb} left out, with groups more than {EVEN_K:g} K apart"


def newest(o: Offsets, most: int) -> Offsets:
    """The last readings only."""
    return replace(o, values=o.values[-most:], own=o.own[-most:], starts=o.starts[-most:], ends=o.ends[-most:])
