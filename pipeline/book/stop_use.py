"""Stop-use findings and what people did about them: open until a repair or an inspection that refutes it names it.

A finding that the newest scan no longer gives stays open too: nobody looked, and a record that shows nothing is no
repair. One that rests on evidence newer than its closing is open again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from herdbook.pipeline.book.entry import day_of
from herdbook.pipeline.many_groups import Told, told_once
from herdbook.pipeline.store.statements import ask, has

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


@dataclass(frozen=True, slots=True)
class Matter:
    """One row of the view stop_use_matters; times are naive UTC.

    since_t: when a scan first told of it since it was last closed. last_t: its newest evidence. standing: the newest
    scan gives it. again: told again after it was closed. state: nobody | acknowledged | to inspection | confirmed |
    undecided | closed | another kind of entry; entry, kind, entry_t, made_by, said: the last word of people on it."""

    vehicle: str
    rule: str
    item: str
    title: str
    statement: str
    first_told_t: datetime
    since_t: datetime
    last_t: datetime
    standing: bool
    open: bool
    again: bool
    state: str
    entry: int | None
    kind: str | None
    entry_t: datetime | None
    zone: str | None
    made_by: str | None
    said: str | None

    @property
    def key(self) -> tuple[str, str, str]:
        return self.vehicle, self.rule, self.item

    def words(self, now: datetime | None = None) -> str:
        """What people did about it, without a full stop. now: naive UTC, to tell for how many days; else since when."""
        days = max(0, (now - self.since_t).days) if now else 0
        for_days = f"for {days} day{'s' * (days != 1)}" if days else f"since {self.since_t:%Y-%m-%d}"
        gone = "" if self.standing else "; the newest scan no longer finds it, which is no inspection"
        again = "; it was closed before, and recorded again since" if self.again else ""
        return f"open {for_days}, {self._state()}{again}{gone}" if self.open else self._closed()

    @property
    def entry_day(self) -> str:
        """Of the last word of people on it; "" where there is none."""
        return day_of(self.entry_t, self.zone or "UTC") if self.entry_t else ""

    def _state(self) -> str:
        by = f"by {self.made_by} on {self.entry_day}"
        return {
            "nobody": "nobody has acknowledged it",
            "acknowledged": f"acknowledged {by}",
            "to inspection": f"sent to inspection {by}",
            "confirmed": f"confirmed {by}, not repaired yet",
            "undecided": f"inspected {by} without a result",
        }.get(self.state, f"last entered: {self.state} {by}")

    def _closed(self) -> str:
        what = {"repair": "a repair", "scrapped": "scrapping"}.get(self.kind or "", "an inspection that refuted it")
        return (
            f"closed by {what} on {self.entry_day} ({self.made_by}: {self.said or 'nothing said'}); nothing "
            "recorded since shows it"
        )


def once(found: Sequence[Matter], now: datetime) -> list[Told[Matter]]:
    """Matters as people are told them: what one rule says of many groups of a pack, dealt with alike, once. now: naive
    UTC, to which their age is told."""
    return told_once(
        found,
        same=lambda m: (m.vehicle, m.rule, m.words(now)),
        item=lambda m: m.item,
        statement=lambda m: m.statement,
    )


def matters(con: DuckDBPyConnection, vehicle: str | None = None) -> list[Matter]:
    """Of one vehicle, or of all; open ones first, the oldest first. [] in a copy published by an older Herdbook."""
    if not has(con, "stop_use_matters"):
        return []
    found = [Matter(**row) for row in ask(con, __name__, "matters", vehicle=vehicle)]
    return sorted(found, key=lambda m: (not m.open, m.since_t, m.key))
