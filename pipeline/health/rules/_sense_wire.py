"""A group's reading that no group can have: the measuring wire, told from the group by circuit laws.

One tap lies between two groups, so what it loses for one it gives to the other (see-saw); and groups in series add
up to the pack's voltage, so a reading that the sum lacks never was a voltage of the group (Kirchhoff).
"""

from __future__ import annotations

import polars as pl

from herdbook.pipeline.health.reading import event_table, recent
from herdbook.pipeline.health.rule import Record

KEYS = ("extreme_v", "limit_v", "beyond_v", "median_v", "current_a", "neighbour", "neighbour_v", "pack_less_sum_v")
LEAST_OFF_V = 0.3  # from the median group: a millivolt see-saw is another rule's subject; engineering choice
SHARE = 0.4  # of it, the other way, in the neighbour: its reading ends at the monitor's range; engineering choice
ABOVE_LOW_V, BELOW_TOP_V = 0.3, 0.1  # where the median group must be, from the limits: engineering choices
DEAD_V = 1.0  # a reading so far off, with the pack's voltage unmoved, is no group's; engineering choice
AGREES = 0.3  # what the sum lacks is the group's deficit, to this share; engineering choice


def by_wire() -> pl.Expr:
    """Of an excursion event: whether the wire explains it; false where neither neighbour nor pack voltage is known."""
    off = pl.col("median_v") - pl.col("extreme_v")
    other = (pl.col("neighbour_v") - pl.col("median_v")) * off.sign()
    # Past its limits the whole pack is on the steep ends of its curve, where sound groups stand volts apart.
    room = pl.col("median_v") - pl.col("limit_v")
    inside = pl.when(off > 0).then(room >= ABOVE_LOW_V).otherwise(-room >= BELOW_TOP_V)
    see_saw = (off.abs() >= LEAST_OFF_V) & (other >= LEAST_OFF_V) & (other >= SHARE * off.abs())
    lacks = pl.col("pack_less_sum_v") / off
    not_there = (off.abs() >= DEAD_V) & lacks.is_between(1.0 - AGREES, 1.0 + AGREES)
    # One of the two reads its range's end: what both lack together is what the pack's voltage has over their sum. It
    # would have nothing over, were the readings true, wherever the pack stands on its curve.
    apart = off + pl.col("median_v") - pl.col("neighbour_v")
    clipped = (off.abs() >= DEAD_V) & (other >= LEAST_OFF_V) & (apart.abs() >= DEAD_V)
    clipped &= (pl.col("pack_less_sum_v") / apart).is_between(1.0 - AGREES, 1.0 + AGREES)
    by_its_place = inside.fill_null(False) & (see_saw.fill_null(False) | not_there.fill_null(False))
    return by_its_place | clipped.fill_null(False)


def unread(record: Record, days: float = 60.0) -> set[str]:
    """Groups whose readings are known to be a wire's doing: other rules leave them aside."""
    return set(record.once(("unread", days), lambda: _unread(record, days)))


def _unread(record: Record, days: float) -> set[str]:
    out: set[str] = set()
    for kind in ("group_under_voltage", "group_over_voltage"):
        events = recent(event_table(record, kind, KEYS), days)
        if not events.height:
            continue
        events = events.filter(by_wire())
        out |= set(events["item"].to_list())
        out |= {f"{g:.0f}" for g in events["neighbour"].drop_nulls().to_list()}
    return out
