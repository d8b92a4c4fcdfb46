"""Packs that stand near empty or near full, that charge below freezing, or that never reach full.

These are lists for a look, not findings: the rules `parked_empty`, `cold_charging` and `charge_ends_early` judge each
vehicle by its record. What happened since the newest record is not known; a vehicle may have been charged unrecorded.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    from datetime import datetime

    import duckdb

EMPTY_PCT, EMPTY_DAYS = 15.0, 14.0  # engineering choice: 1 to 3 % a month and standby take the rest (from memory)
FULL_PCT, FULL_DAYS = 90.0, 21.0  # engineering choice: cells age faster near full; a weekend is no matter
CHARGES, CHARGE_DAYS, FULL_AT = 4, 60.0, 97.0  # engineering choice: fewer charges prove no habit
COLD_DAYS = 90.0


def parked(con: duckdb.DuckDBPyConnection, as_of: datetime, today: datetime) -> list[Row]:
    """Vehicles whose newest record ended near empty or near full, longest ago first.

    as_of: the fleet's newest record; a vehicle counts as parked by how far it is behind that, so that uploads which all
    stop do not list the whole fleet. today: day of the scan, to which days are counted.
    Rows: vehicle, state (empty | full), soc [%], since_t, days."""
    given = {
        "as_of": as_of,
        "today": today,
        "empty": EMPTY_PCT,
        "empty_days": EMPTY_DAYS,
        "full": FULL_PCT,
        "full_days": FULL_DAYS,
    }
    return ask(con, __name__, "parked", **given)


def charging_habits(con: duckdb.DuckDBPyConnection) -> list[Row]:
    """Vehicles that charged in the cold, or whose recent charges all ended short of full, gravest first.

    Rows: vehicle, cold_ah [Ah, in COLD_DAYS days], charges (recorded to an end, in CHARGE_DAYS days), full (of them),
    highest [%]."""
    given = {"days": CHARGE_DAYS, "cold_days": COLD_DAYS, "least": CHARGES, "full_at": FULL_AT}
    return ask(con, __name__, "charging_habits", **given)
