"""Numbers, times and durations in words."""

from __future__ import annotations

from datetime import date, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.times import from_micros, micros


@pytest.mark.parametrize(
    ("value", "unit", "se", "said"),
    [
        (3.1, "mOhm", 0.02, "3.100 ± 0.020\u00a0mΩ"),
        (14.0, "A", 0.4, "14.00 ± 0.40\u00a0A"),
        (1234.5, "Ah", 25.0, "1\u202f234 ± 25\u00a0Ah"),
        (4.0, "1", None, "4"),
        (1.55, "1", None, "1.55"),
        (41.25, "degC", None, "41.2\u00a0°C"),
        (float("nan"), "V", None, "not known"),
        (None, "V", None, "not known"),
        (92.4, "%", 1.3, "92.4 ± 1.3%"),
    ],
)
def test_amounts(value: float | None, unit: str, se: float | None, said: str) -> None:
    assert numbers.amount(value, unit, se) == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0.25, "250 ms"), (4, "4 s"), (240, "4 min"), (93784, "1 d 2 h"), (3600, "1 h"), (86460, "1 d"), (59.96, "60 s")],
)
def test_durations(seconds: float, said: str) -> None:
    assert numbers.duration(seconds) == said


@settings(deadline=None)
@given(st.datetimes(datetime(1970, 1, 1), datetime(2100, 1, 1)))
def test_micros_are_exact_both_ways(t: datetime) -> None:
    assert from_micros(micros(t)) == t


def test_summer_time() -> None:
    """Central European Time ends on 2026-10-25 at 01:00 UTC: 02:30 is read twice."""
    zone = numbers.zone_of("Europe/Vienna")
    assert numbers.moment(datetime(2026, 10, 25, 0, 30), zone) == "2026-10-25 02:30:00"
    assert numbers.moment(datetime(2026, 10, 25, 1, 30), zone) == "2026-10-25 02:30:00"
    assert numbers.day(datetime(2026, 6, 1, 22, 30), zone) == "2026-06-02"
    assert numbers.day(date(2026, 6, 1)) == "2026-06-01"


@pytest.mark.parametrize("name", [None, "", "No/Where", "../etc/passwd", "\x00"])
def test_an_unknown_zone_is_none(name: str | None) -> None:
    assert numbers.zone_of(name) is None


def test_nothing_unseen_stays_unseen() -> None:
    assert numbers.visible("a\u202eb\x00\u200b\n") == "a\\u202eb\\u0000\\u200b\n"
    assert numbers.visible("Größe ≤ 3\u202f000 µA") == "Größe ≤ 3\u202f000 µA"
