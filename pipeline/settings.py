"""Settings of a store: the optional herdbook.toml in its folder. Every setting has a default and a unit.

    profiles = "profiles"            # folder of vehicle profiles, relative to the store
    lake = "s3://bucket/fleet"       # where parts are kept: an fsspec URL or a folder; else `lake` in the store.
                                     # Credentials come from the environment (AWS_ACCESS_KEY_ID and so on)
    zone = "Europe/Vienna"           # for pages and for times in file names without a zone of their own
    paths = ["(?P<vehicle>V-\\d+)/"]  # patterns that name the vehicle by the log's path
    [take]     settle_s, min_known_share, log_time_s, log_memory_mb, segment_frames
    [sessions] join_s, stop_s
    [judge]    judge_days
    [keep]     parts_days, grace_hours, months_after, cache_gb

Other tables (the night's schedule, messages) belong to who reads them: Settings.other.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from herdbook.pipeline.addresses import has_password
from herdbook.pipeline.errors import SettingsError

FILE = "herdbook.toml"


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings, as one flat record; the tables of the file are only for the reader's eye."""

    profiles: str = "profiles"
    lake: str = ""
    zone: str = "UTC"
    paths: tuple[str, ...] = ()
    # take
    settle_s: float = 2.0  # a log that changed within this time is still being written
    min_known_share: float = 0.5  # below this share of known identifiers the profile is wrong
    log_time_s: float = 600.0  # a log that takes longer is put in quarantine
    log_memory_mb: float = 2048.0  # a log that needs more is put in quarantine
    segment_frames: int = 2_000_000  # frames decoded at a time: bounds memory for logs of any size
    span_gap_s: float = 10.0  # silence up to this belongs to one span of logged data
    jump_s: float = 600.0  # a longer silence inside a log is noted: a pause or a clock that jumped
    # sessions
    join_s: float = 300.0  # logged data nearer than this make one stretch
    stop_s: float = 180.0  # a shorter stop does not end a ride or a charge
    # judge
    judge_days: float = 400.0  # rules look at a vehicle's last so many days, so that a night costs no more as it ages
    # keep
    parts_days: float | None = None  # parts older than this are dropped; metrics and findings stay. None: never
    grace_hours: float = 48.0  # a retired part stays this long for readers of an older fleet.duckdb
    months_after: float = 1.0  # a month's parts are merged once it is over for this many months
    cache_gb: float = 10.0  # room for local copies of parts of a lake behind an address; the oldest uses go first
    other: dict[str, Any] = field(default_factory=dict)


TABLES = {
    "take": ("settle_s", "min_known_share", "log_time_s", "log_memory_mb", "segment_frames", "span_gap_s", "jump_s"),
    "sessions": ("join_s", "stop_s"),
    "judge": ("judge_days",),
    "keep": ("parts_days", "grace_hours", "months_after", "cache_gb"),
}
TOP = ("profiles", "lake", "zone", "paths")


def read_settings(folder: Path) -> Settings:
    """Settings of the store in `folder`; defaults where the file or a key is missing. Raises: SettingsError."""
    path = Path(folder) / FILE
    if not path.exists():
        return Settings()
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"is not TOML: {error}", path, "Correct that line") from None
    values: dict[str, Any] = {}
    for key in TOP:
        if key in table:
            values[key] = tuple(map(str, table.pop(key))) if key == "paths" else str(table.pop(key))
    for name, keys in TABLES.items():
        for key, value in table.pop(name, {}).items():
            if key not in keys:
                raise SettingsError(f"[{name}] {key} is not known", path, f"Known there: {', '.join(keys)}")
            if isinstance(value, bool) or not isinstance(value, int | float) or value < 0:
                raise SettingsError(f"[{name}] {key} = {value!r} is not a number from 0 up", path, "Correct it")
            values[key] = int(value) if key == "segment_frames" else float(value)
    if loose := [k for k, v in table.items() if not isinstance(v, dict)]:
        raise SettingsError(f"{loose[0]} is not known", path, f"Known at the top: {', '.join(TOP)}")
    settings = Settings(**values, other=table)
    _check(settings, path)
    return settings


def _check(settings: Settings, path: Path) -> None:
    try:
        ZoneInfo(settings.zone)
    except (KeyError, ValueError, OSError):
        raise SettingsError(f"zone {settings.zone!r} is no time zone", path, "Write one like Europe/Vienna") from None
    for pattern in settings.paths:
        try:
            groups = re.compile(pattern).groupindex
        except re.error as error:
            raise SettingsError(f"paths: {pattern!r} is no pattern: {error}", path, "Correct it") from None
        if "vehicle" not in groups:
            raise SettingsError(f"paths: {pattern!r} names no vehicle", path, "Add a group (?P<vehicle>...)")
    if has_password(settings.lake):
        do = "Take them out; they come from the environment"
        raise SettingsError("lake holds a user and a password", path, do)
    if settings.segment_frames < 10_000:
        raise SettingsError("[take] segment_frames is under 10000", path, "Make it larger")


def known_keys() -> tuple[str, ...]:
    """Every setting's name; a test holds the tables to the record."""
    return tuple(f.name for f in fields(Settings) if f.name != "other")
