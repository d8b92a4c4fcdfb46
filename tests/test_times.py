"""Times: exact both ways, one moment whatever the zone it was said in, and words for far-off numbers."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from herdbook.pipeline import times

T = datetime(2026, 3, 1, 8, 0, 0, 250)
US = 1_772_352_000_000_250  # date -u -d 2026-03-01T08:00:00 +%s gives 1772352000


def test_a_moment_is_the_same_however_it_is_said() -> None:
    east = timezone(timedelta(hours=2))
    said = [T, T.replace(tzinfo=UTC), datetime(2026, 3, 1, 10, 0, 0, 250, east)]
    assert {times.micros(t) for t in said} == {US}
    assert {times.naive_utc(t) for t in said} == {T}
    assert times.column_micros(pl.Series([T], dtype=pl.Datetime("us"))).tolist() == [US]


@given(st.datetimes(datetime(1970, 1, 1), datetime(2200, 1, 1)))
def test_stamps_and_microseconds_lose_nothing(t: datetime) -> None:
    assert times.from_micros(times.micros(t)) == t
    assert times.from_stamp(times.stamp(t)) == t
    assert times.stamp(times.micros(t)) == times.stamp(t)


def test_stamps_are_iso_8601() -> None:
    assert times.stamp(US) == "2026-03-01T08:00:00.000250Z"
    assert times.stamp(T.replace(microsecond=0), "auto") == "2026-03-01T08:00:00Z"
    assert times.from_stamp("2026-03-01T10:00:00+02:00") == datetime(2026, 3, 1, 8)
    with pytest.raises(ValueError, match="yesterday"):
        times.from_stamp("yesterday")


def test_people_read_a_date_or_seconds() -> None:
    assert times.in_words(US) == "2026-03-01 08:00:00 UTC"
    assert times.in_words(10**18) == "1000000000000 s"


@pytest.fixture
def elsewhere(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A machine whose own zone is far from UTC."""
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "Pacific/Auckland")
        time.tzset()
        yield
    time.tzset()


def test_now_is_utc_whatever_the_machines_zone(elsewhere: None) -> None:
    assert datetime.now() - datetime.now(UTC).replace(tzinfo=None) > timedelta(hours=11)
    assert abs(times.utc_now() - datetime.now(UTC).replace(tzinfo=None)) < timedelta(hours=1)
    assert abs(times.micros(times.utc_now()) - times.now_us()) < times.HOUR
    assert times.naive_utc(T) == T
