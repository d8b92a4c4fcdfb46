"""When a vehicle is silent: judged by its own habit, on the day of the scan.

A vehicle is silent when its newest record is older, on the day of the scan, than its habit allows: twice the gap
between riding days that nine of ten of its own gaps stay within. A fleet whose uploads all stop would be reported
vehicle by vehicle; it stands still, which is told once, and the days after it fell silent count against nobody. It
stands still when no vehicle has left a record for longer than nine of ten gaps between the days on which any did.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from math import ceil

from herdbook.pipeline.night.changes import ChangeKind

GAPS_NEEDED = 6  # engineering choice: with fewer gaps nine of ten means nothing
RECENT_GAPS = 40  # engineering choice: a habit may change with the season; older gaps are forgotten
PATIENCE = 2.0  # engineering choice: twice the usual gap, so that a free week is not an alarm
LEAST_DAYS = 2.0  # a daily rider may stay at home for a weekend
FLEET_LEAST_DAYS = 1.0  # of the whole fleet: engineering choice; its logs come a day later
FLEET_DAYS = 7.0  # of a fleet whose habit is not known: engineering choice


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


def fleet_patience(days: Iterable[date]) -> timedelta:
    """How long a whole fleet may leave no record before it stands still. days: on which any vehicle left one."""
    usual = habit_days(sorted(set(days)))
    return timedelta(days=FLEET_DAYS if usual is None else max(usual, FLEET_LEAST_DAYS))


def standing_still(newest: datetime, day: datetime, patience: timedelta) -> str:
    """What is told when no vehicle has left a record for longer than the fleet's patience; "" otherwise."""
    away = day - newest
    if away <= patience:
        return ""
    days = away.days
    return (
        f"No vehicle has left a log for {days} day{'s' * (days != 1)}: the newest record is of "
        f"{newest:%Y-%m-%d %H:%M} UTC. If the fleet is in use, check the uploads and the inbox. Until a log comes, no "
        "further vehicle is called silent."
    )


def silence(vehicle: str, days: Sequence[date], last: datetime, as_of: datetime) -> VehicleNews | None:
    """Silent or not at `as_of`; None also when the habit is not known."""
    usual = habit_days(days)
    if usual is None:
        return None
    away = (as_of - last) / timedelta(days=1)
    if away <= max(PATIENCE * usual, LEAST_DAYS):
        return None
    reason = (
        f"no log for {away:.0f} days up to {as_of:%Y-%m-%d}; nine of ten gaps between its riding days are "
        f"{usual:.0f} day{'s' * (usual != 1)} or less"
    )
    return VehicleNews(vehicle, ChangeKind.SILENT, last, reason)
