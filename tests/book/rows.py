"""A store with two vehicles and a stop-use finding, without logs: what the service book needs to stand on."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from herdbook.pipeline.book import book, stop_use
from herdbook.pipeline.book.drafting import draft_of
from herdbook.pipeline.book.entry import TYPED, Entry
from herdbook.pipeline.book.refusals import Refusal
from herdbook.pipeline.book.stop_use import Matter
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from tests.night.tables import T0, insert, logged, scan, stands
from tests.toy.bench import DATA

NOW = T0 + timedelta(days=100)
UTC = ZoneInfo("UTC")


def day(number: float) -> str:
    """The day so many days after T0, 2026-03-01."""
    return f"{T0 + timedelta(days=number):%Y-%m-%d}"


def store_with(folder: Path) -> Store:
    """Vehicles a and b, built on the day of T0; r is a stop-use finding of a: told on day 1, its evidence of day 0."""
    store = Store.create(folder / "store", DATA)
    with transaction(store.catalogue) as con:
        for vehicle in ("a", "b"):
            insert(con, "vehicles", vehicle=vehicle, profile="toy", built=T0.date(), zone="UTC")
        scan(con, "s1", 1)
        logged(con, "s1", "a", "r", "new", "stop-use")
        stands(con, "a", "r", "stop-use")
        for table in ("findings", "finding_log"):
            con.execute(f"UPDATE {table} SET last_t = ?", [T0])
    publish(store)
    return store


def told_again(store: Store, number: float, by: str) -> None:
    """A scan after so many days finds r again, with evidence of that day."""
    t = T0 + timedelta(days=number)
    with transaction(store.catalogue) as con:
        scan(con, by, int(number))
        logged(con, by, "a", "r", "new", "stop-use")
        con.execute("UPDATE findings SET last_t = ?", [t])
        con.execute("UPDATE finding_log SET last_t = ? WHERE scan = ?", [t, by])


def enter(
    store: Store, *rows: dict[str, str], now: datetime = NOW, source: str = TYPED
) -> tuple[list[Refusal], list[Entry]]:
    """rows: as a sheet has them; vehicle a, the workshop and day 2 where nothing else is said."""
    usual = {"vehicle": "a", "when": day(2), "by": "workshop"}
    drafts = [draft_of(f"row {n}", usual | row, lambda _: UTC, source=source) for n, row in enumerate(rows, start=2)]
    return book.write(store, drafts, now)


def refused(store: Store, *rows: dict[str, str]) -> str:
    """What is said of rows of which nothing is entered; places and reasons in one text."""
    before = held(store)
    wrong, made = enter(store, *rows)
    assert wrong
    assert not made
    assert held(store) == before
    return "\n".join(f"{one.place}: {one.why}" for one in wrong)


def held(store: Store) -> list[Entry]:
    with store.read() as con:
        return [entry for entry in book.entries(con) if entry.holds]


def matter(store: Store) -> Matter:
    """The one stop-use finding of a."""
    with store.read() as con:
        [found] = stop_use.matters(con)
    return found


@pytest.fixture(name="store")
def a_store(tmp_path: Path) -> Store:
    return store_with(tmp_path)
