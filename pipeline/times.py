"""Time in one place: whole microseconds since 1970 UTC in all that is measured, naive UTC moments in the catalogue.

What a page shows in a zone is in reports/words; where a log lies in time, and in which zone its name is meant, in
intake/clock.
"""

from __future__ import annotations

import time
from datetime import UTC, date, datetime, timedelta
from datetime import time as day_time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

S = 1_000_000  # microseconds
HOUR = 3_600 * S
DAY = 24 * HOUR
EPOCH = datetime(1970, 1, 1)  # naive UTC, as all moments of the catalogue


def utc_now() -> datetime:
    """This moment, naive UTC."""
    return datetime.now(UTC).replace(tzinfo=None)


def now_us() -> int:
    """This moment, microseconds UTC."""
    return time.time_ns() // 1000


def naive_utc(t: datetime) -> datetime:
    """A moment as the catalogue keeps it. t: with a zone, or naive and UTC already."""
    return t if t.tzinfo is None else t.astimezone(UTC).replace(tzinfo=None)


def micros(t: datetime) -> int:
    """Microseconds UTC of a moment (with a zone, or naive UTC), exactly."""
    return (naive_utc(t) - EPOCH) // timedelta(microseconds=1)


def instant(value: object) -> int | None:
    """Microseconds UTC of what a TOML file says; a day begins at midnight UTC; None for anything else."""
    if isinstance(value, datetime):
        return micros(value)
    return micros(datetime.combine(value, day_time())) if isinstance(value, date) else None


def from_micros(t: int) -> datetime:
    """Microseconds UTC as a naive UTC moment, exactly."""
    return EPOCH + timedelta(microseconds=t)


def column_micros(times: pl.Series) -> NDArray[np.int64]:
    """A column of moments as microseconds UTC, without copying it."""
    import numpy as np

    return times.to_numpy().view(np.int64)


def stamp(t: datetime | int, digits: str = "microseconds") -> str:
    """ISO 8601 in UTC with a Z, for files and machines. t: naive UTC, or microseconds. digits: isoformat's timespec."""
    return (from_micros(t) if isinstance(t, int) else t).isoformat(timespec=digits) + "Z"


def from_stamp(text: str) -> datetime:
    """2026-03-01T07:00:00.000000Z as a naive UTC moment. Raises: ValueError for anything else."""
    return naive_utc(datetime.fromisoformat(text))


def in_words(t: int) -> str:
    """Microseconds as people read them: 2026-03-01 08:00:00 UTC; far-off numbers stay numbers."""
    try:
        return from_micros(t).strftime("%Y-%m-%d %H:%M:%S UTC")
    except OverflowError:
        return f"{t / S:.0f} s"
