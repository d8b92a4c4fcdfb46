"""Which vehicles are new, silent or back in use; and the closing of a night in the catalogue.

A vehicle is silent when its newest record is older than its habit allows: twice the gap between riding days
that nine of ten of its own gaps stay within. The clock is the fleet's, not the wall's: the newest record of
any vehicle. A fleet whose uploads all stop would otherwise be reported vehicle by vehicle; that case is one
line (`fleet_quiet`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from math import ceil
from typing import TYPE_CHECKING

from herdbook.pipeline.store.connection import query
from herdbook.pipeline.times import naive_utc, utc_now

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

GAPS_NEEDED = 6  # engineering choice: with fewer gaps nine of ten means nothing
RECENT_GAPS = 40  # engineering choice: a habit may change with the season; older gaps are forgotten
PATIENCE = 2.0  # engineering choice: twice the usual gap, so that a free week is not an alarm
LEAST_DAYS = 2.0  # a daily rider may stay at home for a weekend


@dataclass(frozen=True, slots=True)
class Told:
    """One change of a vehicle as such: first seen, silent or back."""

    vehicle: str
    change: str
    since: datetime
    reason: str


def habit_days(days: Sequence[date]) -> float | None:
    """The gap in days that nine of ten recent gaps between riding days stay within; None when too few are
    known.

    Nearest-rank percentile, so the answer is a gap that did occur.
    """
    recent = days[-RECENT_GAPS - 1 :]
    gaps = sorted((b - a).days for a, b in pairwise(recent))
    return float(gaps[ceil(0.9 * len(gaps)) - 1]) if len(gaps) >= GAPS_NEEDED else None


def silence(vehicle: str, days: Sequence[date], last: datetime, as_of: datetime) -> Told | None:
    """Silent or not, on the fleet's clock; None also when the habit is not known."""
    usual = habit_days(days)
    if usual is None:
        return None
    away = (as_of - last) / timedelta(days=1)
    if away <= max(PATIENCE * usual, LEAST_DAYS):
        return None
    reason = f"no log for {away:.0f} days; nine of ten gaps between its riding days are {usual:.0f} days or less"
    return Told(vehicle, "silent", last, reason)


def close_night(con: DuckDBPyConnection, scan: str, now: datetime | None = None) -> None:
    """Put into the catalogue what `scan` has to tell; inside the caller's transaction, safe to repeat.

    Every scan not told yet, also one that was killed, is told by this one. Silence, first sight and return
    are written once each: their key is the moment they speak of.
    """
    wall = naive_utc(now) if now else utc_now()
    rows = con.execute(query("vehicle_days"), {"now": wall}).fetchall()
    as_of = max((last for _, _, last in rows), default=wall)
    con.execute(
        "INSERT INTO nights SELECT scan, $scan, $as_of FROM scans WHERE scan NOT IN (SELECT scan FROM nights)",
        {"scan": scan, "as_of": as_of},
    )
    told = (
        first_seen(con, rows)
        + returned(con)
        + [t for vehicle, days, last in rows if (t := silence(vehicle, days, last, as_of))]
    )
    if told:
        con.executemany(
            "INSERT INTO fleet_log VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
            [(scan, t.vehicle, t.change, t.since, t.reason) for t in told],
        )


def first_seen(con: DuckDBPyConnection, rows: Sequence[tuple[str, list[date], datetime]]) -> list[Told]:
    known = {v for (v,) in con.execute("SELECT vehicle FROM fleet_log WHERE change = 'first seen'").fetchall()}
    return [
        Told(
            vehicle,
            "first seen",
            last,
            f"first log from this vehicle; its record begins on {days[0]:%Y-%m-%d}",
        )
        for vehicle, days, last in rows
        if vehicle not in known
    ]


def returned(con: DuckDBPyConnection) -> list[Told]:
    """Back after a reported silence, or ridden after work on the vehicle that is newer than its first
    sight."""
    silent = con.execute(query("back_from_silence")).fetchall()
    told = [
        Told(v, "back", ride, f"records again after {(ride - last) / timedelta(days=1):.0f} days of silence")
        for v, last, ride in silent
    ]
    met: dict[str, datetime] = dict(
        con.execute("SELECT vehicle, since_t FROM fleet_log WHERE change = 'first seen'").fetchall()
    )
    work = con.execute(query("back_in_use")).fetchall()
    seen = {(t.vehicle, t.since) for t in told}
    return told + [
        Told(v, "back", ride, f"ridden again after {what}")
        for v, ride, what in work
        if v in met and ride > met[v] and (v, ride) not in seen
    ]
