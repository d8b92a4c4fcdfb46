"""The newest night: when it was, and what its logs were like (cut short, twice here, clocks that jumped)."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

EARLIEST = datetime(1, 1, 1)


@dataclass(frozen=True, slots=True)
class Night:
    """A closed night. Its logs are those received after `since` (the end of the night before) and by `ended`.
    as_of: the newest record of any vehicle then. Times are naive UTC."""

    scan: str
    started: datetime
    ended: datetime
    since: datetime
    as_of: datetime

    @property
    def window(self) -> dict[str, datetime]:
        return {"since": self.since, "ended": self.ended}


@dataclass(frozen=True, slots=True)
class Intake:
    """What came in that night. clocks: logs whose clock was doubted, with what was noted. waiting: vehicles whose
    logs are in but that are not assessed yet."""

    logs: int = 0
    vehicles: int = 0
    known: int = 0
    partial: int = 0
    lost_bytes: int = 0
    waiting: int = 0
    clocks: list[Row] = field(default_factory=list)


def newest_night(con: duckdb.DuckDBPyConnection) -> Night | None:
    """The newest night that was closed; None before the first."""
    found = ask(con, __name__, "night")
    if not found:
        return None
    row = found[0]
    return Night(row["scan"], row["started_t"], row["ended_t"], row["since_t"] or EARLIEST, row["as_of"])


def intake(con: duckdb.DuckDBPyConnection, night: Night) -> Intake:
    """The night's logs in figures."""
    row = ask(con, __name__, "night_intake", scan=night.scan, **night.window)[0]
    return Intake(**row, clocks=ask(con, __name__, "night_clocks", **night.window))
