"""Mark vehicles for assessment once more, although no new log touched them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from pipeline.catalogue import query, transaction
from pipeline.errors import NotKnownError, SettingsError
from pipeline.ledger import touch
from pipeline.store import Store


def mark_again(store: Store, since: str = "", until: str = "", vehicles: Sequence[str] = ()) -> list[str]:
    """Vehicles with sessions between two days (ISO, both included; "" for no bound) that will be assessed
    again.

    Raises: SettingsError for a day that is none, NotKnownError for a vehicle the store does not have.
    """
    first = _day(since) if since else datetime(1, 1, 1)
    last = _day(until) + timedelta(days=1) if until else datetime(9999, 1, 1)
    with transaction(store.catalogue) as con:
        known = {v for (v,) in con.execute("SELECT vehicle FROM vehicles").fetchall()}
        if missing := sorted(set(vehicles) - known):
            raise NotKnownError(f"no vehicle {missing[0]!r}", store.folder, "See `herdbook fleet` for those it has")
        bounds = {"since": first, "until": last, "vehicles": list(vehicles)}
        marked = sorted({v for (v,) in con.execute(query("mark_again"), bounds).fetchall()})
        touch(con, marked)
    return marked


def _day(text: str) -> datetime:
    try:
        day = datetime.fromisoformat(text)
    except ValueError:
        raise SettingsError(f"{text!r} is no day", do="Write it like 2026-01-31") from None
    return day.astimezone(UTC).replace(tzinfo=None) if day.tzinfo else day
