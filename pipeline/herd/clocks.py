"""By what a vehicle ages: days since it was used first, or kilometres, cycles or hours that age on record.

A clock other than days knows only what logs recorded: what was ridden without a log is not on it.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import accumulate
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb

DAYS, KM = "days", "km"
METRIC = {KM: "distance_km", "cycles": "pack_cycles", "hours": "pack_age_hours_25c"}
WORDS = {
    DAYS: "days",
    KM: "km on record",
    "cycles": "charge cycles on record",
    "hours": "hours at 25 °C that age as much, on record",
}
NEWEST_DAYS = 90  # of a vehicle's record, from which its use a day is taken; engineering choice


@dataclass(frozen=True, slots=True)
class Used:
    """Of one vehicle: days on which something was recorded, in order, and the clock at the end of each."""

    days: list[date]
    total: list[float]

    def before(self, day: date) -> float:
        """The clock at the beginning of a day."""
        i = bisect_left(self.days, day)
        return self.total[i - 1] if i else 0.0

    @property
    def a_day(self) -> float:
        """Of the newest stretch of its record."""
        first = max(self.days[0], self.days[-1] - timedelta(days=NEWEST_DAYS - 1))
        return (self.total[-1] - self.before(first)) / ((self.days[-1] - first).days + 1)


def used(con: duckdb.DuckDBPyConnection, clock: str) -> dict[str, Used]:
    """By vehicle; empty for days, which need no record."""
    rows = ask(con, __name__, "clock_days", figure=METRIC[clock]) if clock != DAYS else []
    found: dict[str, dict[date, float]] = {}
    for row in rows:
        found.setdefault(row["vehicle"], {})[row["day"]] = row["used"]
    return {name: Used(list(of), list(accumulate(of.values()))) for name, of in found.items()}


def age(clock: str, began: datetime, of: Used | None, t: datetime) -> float:
    """Of a vehicle that was used first at `began`, at a moment; on a clock of records 0 without one."""
    if clock == DAYS:
        return (t - began) / timedelta(days=1)
    return of.before(t.date()) if of else 0.0


def a_day(clock: str, of: Used | None) -> float:
    """By how much the clock goes on in a day."""
    return 1.0 if clock == DAYS else of.a_day if of else 0.0


def checked(clock: str) -> str:
    """Raises: SettingsError for a clock that there is not."""
    if clock not in WORDS:
        raise SettingsError(f"there is no clock {clock!r}", do=f"Say --clock {', '.join(list(WORDS)[:-1])} or hours")
    return clock
