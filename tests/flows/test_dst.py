"""On the two nights a year when clocks change, the schedule gives one night, not none and not two."""

from __future__ import annotations

import asyncio
from collections import Counter
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from prefect.server.schemas.schedules import CronSchedule

from herdbook.pipeline.settings import NightSettings


@pytest.mark.parametrize(
    ("zone", "first"),
    [
        ("Europe/Vienna", datetime(2026, 3, 27)),  # 02:30 does not exist on the 29th
        ("Europe/Vienna", datetime(2026, 10, 23)),  # 02:30 is twice on the 25th
        ("America/New_York", datetime(2026, 3, 6)),
        ("America/New_York", datetime(2026, 10, 30)),
        ("Australia/Lord_Howe", datetime(2026, 4, 3)),  # by half an hour
    ],
)
def test_one_night_a_day(zone: str, first: datetime) -> None:
    schedule = CronSchedule(cron=NightSettings().cron, timezone=zone)
    dates = asyncio.run(schedule.get_dates(5, first.replace(tzinfo=ZoneInfo(zone))))
    days = Counter(date.astimezone(ZoneInfo(zone)).date() for date in dates)
    assert len(days) == 5
    assert set(days.values()) == {1}
