"""The night's settings as a flow needs them: the [night] table of the store's herdbook.toml, its schedule checked too.

What each key means stands in pipeline/settings.py (NightSettings); only Prefect knows whether a schedule is one.
"""

from __future__ import annotations

from pathlib import Path

from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.settings import FILE, NightSettings, night_settings, read_settings


def read_night_settings(store: Path | str) -> NightSettings:
    """The [night] table of a store. Raises: SettingsError."""
    folder = Path(store)
    night = night_settings(read_settings(folder), folder)
    if night.cron != NightSettings().cron:  # the default needs no check, and no second for importing Prefect
        check_schedule(night, folder / FILE)
    return night


def check_schedule(night: NightSettings, path: Path) -> None:
    """Raises: SettingsError for a cron that is none."""
    from prefect.schedules import Cron

    try:
        Cron(night.cron, timezone=night.zone)
    except (ValueError, TypeError):
        raise SettingsError(
            f"[night] cron = {night.cron!r} is no schedule",
            path,
            'Write five fields: minute hour day month weekday, like "30 2 * * *"',
        ) from None
