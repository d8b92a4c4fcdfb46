"""When a vehicle is silent: judged by its own habit, on the fleet's clock.

A vehicle is silent when its newest record is older than its habit allows: twice the gap between riding days that nine
of ten of its own gaps stay within. The clock is the fleet's, not the wall's: the newest record of any vehicle. A fleet
whose uploads all stop would otherwise be reported vehicle by vehicle; that case is one line of the change list.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from math import ceil

from herdbook.pipeline.night.changes import ChangeKind

GAPS_NEEDED = 6  # engineering choice: with fewer gaps nine of ten means nothing
RECENT_GAPS = 40  # engineering choice: a habit may change with the season; older gaps are forgotten
PATIENCE = 2.0  # engineering choice: twice the usual gap, so that a free week is not an alarm
LEAST_DAYS = 2.0  # a daily rider may stay at home for a weekend


@dataclass(frozen=True, slots=True)
class VehicleNews:
    """One change of a vehicle as such: first seen, silent or back. since: the moment it speaks of."""

    vehicle: str
    change: ChangeKind
    since: datetime
    reason: str


def habit_days(days: Sequence[date]) -> float | None:
    """The gap in days that nine of ten recent gaps between riding days stay within; None when too few are known.

    Nearest-rank percentile, so the answer is a gap that did occur.
    """
    recent = days[-RECENT_GAPS - 1 :]
    gaps = sorted((b - a).days for a, b in pairwise(recent))
    return float(gaps[ceil(0.9 * len(gaps)) - 1]) if len(gaps) >= GAPS_NEEDED else None


def silence(vehicle: str, days: Sequence[date], last: datetime, as_of: datetime) -> VehicleNews | None:
    """Silent or not, on the fleet's clock; None also when the habit is not known."""
    usual = habit_days(days)
    if usual is None:
        return None
    away = (as_of - last) / timedelta(days=1)
    if away <= max(PATIENCE * usual, LEAST_DAYS):
        return None
    reason = (
        f"no log for {away:.0f} days before the fleet's newest record; nine of ten gaps between its riding days are "
        f"{usual:.0f} days or less"
    )
    return VehicleNews(vehicle, ChangeKind.SILENT, last, reason)
