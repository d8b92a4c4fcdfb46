"""Closing a night: what a scan has to tell about vehicles as such, written down once, so that it is told once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

import polars as pl

from herdbook.pipeline.night.batch_alarm import tell_departures
from herdbook.pipeline.night.changes import NOT_ASSESSED, ChangeKind
from herdbook.pipeline.night.silence import VehicleNews, fleet_patience, silence
from herdbook.pipeline.store.connection import registered, transaction
from herdbook.pipeline.store.record_files import show
from herdbook.pipeline.store.statements import ask, statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import naive_utc, utc_now
from herdbook.pipeline.vehicle.record import Schema

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

FLEET_NEWS: Schema = {
    **dict.fromkeys(("scan", "vehicle", "change"), pl.String),
    "since_t": pl.Datetime("us"),
    "reason": pl.String,
}


class VehicleDays(NamedTuple):
    """The days (UTC) on which a vehicle left a record, in order, and the end of its newest record."""

    vehicle: str
    days: list[date]
    last: datetime


def close(store: Store, scan: str, failed: Mapping[str, str] | None = None) -> None:
    """Write down what `scan` has to tell; safe to repeat. Before publication, so that readers see it too.

    failed: why vehicles could not be assessed.
    """
    with transaction(store.catalogue) as con:
        show(con, store.folder, store.settings.check_days)
        close_night(con, scan)
        tell_departures(con, scan)
        if failed:
            rows = [(scan, vehicle, NOT_ASSESSED, why, scan) for vehicle, why in sorted(failed.items())]
            con.executemany(statement(__name__, "note_not_assessed"), rows)


def close_night(con: DuckDBPyConnection, scan: str, now: datetime | None = None) -> None:
    """Put into the catalogue what `scan` has to tell; inside the caller's transaction, safe to repeat.

    Every scan not told yet, also one that was killed, is told by this one. Silence, first sight and return
    are written once each: their key is the moment they speak of.
    """
    wall = naive_utc(now) if now else utc_now()
    rows = con.execute(statement(__name__, "vehicle_days"), {"now": wall}).fetchall()
    vehicles = [VehicleDays(*row) for row in rows]
    as_of = max((v.last for v in vehicles), default=wall)
    con.execute(statement(__name__, "tell_scans"), {"scan": scan, "as_of": as_of})
    day = min(wall, as_of + fleet_patience(d for v in vehicles for d in v.days))
    silent = [found for v in vehicles if (found := silence(v.vehicle, v.days, v.last, day))]
    news = first_seen(con, vehicles) + returned(con) + silent
    if news:
        rows = [(scan, n.vehicle, n.change.value, n.since, n.reason) for n in news]
        with registered(con, "incoming_news", pl.DataFrame(rows, schema=FLEET_NEWS, orient="row")):
            con.execute("INSERT INTO fleet_log BY NAME SELECT * FROM incoming_news ON CONFLICT DO NOTHING")


def first_seen(con: DuckDBPyConnection, vehicles: Sequence[VehicleDays]) -> list[VehicleNews]:
    """Vehicles that no night has told of before."""
    met = _first_seen_at(con)
    return [
        VehicleNews(
            vehicle=v.vehicle,
            change=ChangeKind.FIRST_SEEN,
            since=v.last,
            reason=f"first log from this vehicle; its record begins on {v.days[0]:%Y-%m-%d}",
        )
        for v in vehicles
        if v.vehicle not in met
    ]


def returned(con: DuckDBPyConnection) -> list[VehicleNews]:
    """Back after a reported silence, or ridden after work on the vehicle that is newer than its first sight."""
    news = [_back_from_silence(**row) for row in ask(con, __name__, "back_from_silence")]
    met = _first_seen_at(con)
    seen = {(n.vehicle, n.since) for n in news}
    for row in ask(con, __name__, "back_in_use"):
        vehicle, ride = row["vehicle"], row["ride_t"]
        if vehicle in met and ride > met[vehicle] and (vehicle, ride) not in seen:
            news.append(VehicleNews(vehicle, ChangeKind.BACK, ride, f"ridden again after {row['what']}"))
    return news


def _back_from_silence(vehicle: str, silent_t: datetime, back_t: datetime) -> VehicleNews:
    days = (back_t - silent_t) / timedelta(days=1)
    return VehicleNews(vehicle, ChangeKind.BACK, back_t, f"records again after {days:.0f} days of silence")


def _first_seen_at(con: DuckDBPyConnection) -> dict[str, datetime]:
    return dict(con.execute("SELECT vehicle, since_t FROM fleet_log WHERE change = 'first seen'").fetchall())
