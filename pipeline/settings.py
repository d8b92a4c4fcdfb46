"""Settings of a store: the optional herdbook.toml in its folder. Every setting has a default and a unit.

    profiles = "profiles"            # folder of vehicle profiles (or one profile), relative to the store
    lake = "s3://bucket/fleet"       # where parts are kept: an fsspec URL or a folder; else `lake` in the store.
                                     # Credentials come from the environment (AWS_ACCESS_KEY_ID and so on)
    zone = "Europe/Vienna"           # for pages and for times in file names without a zone of their own
    paths = ["(?P<vehicle>V-\\d+)/"]  # patterns that name the vehicle by the log's path
    vehicles = "vehicles.csv"        # list of batch, built, in service, ... of the fleet (intake/master_data.py)
    vehicle = "RIG-1"                # whose the logs are that nothing else names, for a store of one vehicle
    [take]     settle_s, min_known_share, log_time_s, log_memory_mb, segment_frames
    [sessions] join_s, stop_s
    [judge]    judge_days, again_vehicles
    [keep]     parts_days, grace_hours, months_after, cache_gb, check_days, young_rows
    [night]    see NightSettings; read and checked by whoever runs nights or shows them, by night_settings()

    [own], [sign]   read and checked where they are used: own/named.py, store/signing_key.py

Tables that are not in TABLES are kept as they are, Settings.other; those that nobody reads are told (unknown_tables).
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from math import inf
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from herdbook.pipeline.addresses import has_password, is_url
from herdbook.pipeline.errors import SettingsError

FILE = "herdbook.toml"
MOST_BYTES = 1_000_000  # engineering choice: hundreds of times what is usual


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings, as one flat record; the tables of the file are only for the reader's eye."""

    profiles: str = "profiles"
    lake: str = ""
    zone: str = "UTC"
    paths: tuple[str, ...] = ()
    vehicles: str = ""
    vehicle: str = ""  # whose a log is that neither sidecar nor path nor bus names; "": such a log is refused
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
    again_vehicles: int = 1000  # judged again a night as profile or rules changed, the rest later; engineering choice
    # keep
    parts_days: float | None = None  # parts older than this are dropped; metrics and findings stay. None: never
    grace_hours: float = 48.0  # a retired part stays this long for readers of an older fleet.duckdb
    months_after: float = 1.0  # a month's parts are merged once it is over for this many months
    cache_gb: float = 10.0  # room for local copies of parts of a lake behind an address; the oldest uses go first
    check_days: float = 7.0  # SQL reads a part that nobody touched if it was compared with its hash within so many days
    young_rows: int = 1_000_000  # metrics, events and counts in the catalogue; more are moved into files of the record
    other: dict[str, Any] = field(default_factory=dict)


TABLES = {
    "take": ("settle_s", "min_known_share", "log_time_s", "log_memory_mb", "segment_frames", "span_gap_s", "jump_s"),
    "sessions": ("join_s", "stop_s"),
    "judge": ("judge_days", "again_vehicles"),
    "keep": ("parts_days", "grace_hours", "months_after", "cache_gb", "check_days", "young_rows"),
}
OTHERS = ("night", "own", "sign")  # tables in Settings.other that somebody reads
WHOLE = ("segment_frames", "again_vehicles", "young_rows")
TOP = ("profiles", "lake", "zone", "paths", "vehicle", "vehicles")


def read_settings(folder: Path) -> Settings:
    """Settings of the store in `folder`; defaults where the file or a key is missing. Raises: SettingsError."""
    path = Path(folder) / FILE
    if not path.exists():
        return Settings()
    if path.stat().st_size > MOST_BYTES:
        raise SettingsError("is larger than 1 MB, which no settings are", path, "Look at what wrote it")
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"is not TOML: {error}", path, "Correct that line") from None
    values: dict[str, Any] = {}
    for key in TOP:
        if key in table:
            values[key] = _patterns(table.pop(key), path) if key == "paths" else str(table.pop(key))
    for name, keys in TABLES.items():
        if not isinstance(given := table.pop(name, {}), dict):
            raise SettingsError(f"{name} is no table", path, f"Write [{name}] on a line of its own, its keys below it")
        for key, value in given.items():
            if key not in keys:
                raise SettingsError(f"[{name}] {key} is not known", path, f"Known there: {', '.join(keys)}")
            if isinstance(value, bool) or not isinstance(value, int | float) or not value >= 0:
                raise SettingsError(f"[{name}] {key} = {value!r} is not a number from 0 up", path, "Correct it")
            if key in WHOLE and value == inf:
                raise SettingsError(f"[{name}] {key} = inf is no whole number", path, "Correct it")
            values[key] = int(value) if key in WHOLE else float(value)
    if loose := [k for k, v in table.items() if not isinstance(v, dict)]:
        raise SettingsError(f"{loose[0]} is not known", path, f"Known at the top: {', '.join(TOP)}")
    settings = Settings(**values, other=table)
    _check(settings, path)
    return settings


def _patterns(value: object, path: Path) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
        raise SettingsError("paths is not a list of patterns", path, "Write paths = ['(?P<vehicle>V-\\d+)/']")
    return tuple(value)


def _check(settings: Settings, path: Path) -> None:
    _check_zone(settings.zone, path)
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


def _check_zone(zone: str, path: Path) -> None:
    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        raise SettingsError(f"zone {zone!r} is no time zone", path, "Write one like Europe/Vienna") from None


def unknown_tables(settings: Settings) -> dict[str, str]:
    """Tables that nobody reads, with a sentence about each without a full stop: a slip like [nigth] leaves all that
    stands in it at its default."""
    known = ", ".join(f"[{name}]" for name in sorted((*TABLES, *OTHERS)))
    why = f"is not known in {FILE}, so nothing in it has an effect (known: {known})"
    return {name: f"the table [{name}] {why}" for name in settings.other if name not in OTHERS}


def known_keys() -> tuple[str, ...]:
    """Every setting's name; a test holds the tables to the record."""
    return tuple(f.name for f in fields(Settings) if f.name != "other")


@dataclass(frozen=True, slots=True)
class NightSettings:
    """The [night] table, checked."""

    inbox: str = ""  # folder (relative to the store) or any fsspec URL; needed for serving
    cron: str = "30 2 * * *"  # when to run while serving
    zone: str = "UTC"  # of cron and run names; else the store's (top-level `zone`)
    workers: int = 0  # processes that decode and assess; 0: one a core
    bundle_mb: float = 16.0  # small logs are bundled up to this size: Prefect's share of the time stays small
    notify: tuple[str, ...] = ()  # webhook or any Apprise address: ["https://hooks.example/fleet", "mailto://..."], or
    # where such an address is kept: ["env:HERDBOOK_HOOK", "file:/run/secrets/hook"]
    when: str = "always"  # or "news": no message when there is nothing to call about
    quiet_days: float | None = None  # call when no vehicle at all has a newer record
    limit_h: float = 6.0  # a night that takes longer is ended; the next one goes on from there
    server: str = ""  # a Prefect server that somebody else runs, "http://host:4200/api"; else we start one
    port: int = 4200  # of our own server while serving
    dask: str = ""  # a Dask scheduler, "tcp://host:8786", or "local": a cluster of processes on this machine
    take_limit: int = 0  # tasks that take logs in at one time, over all nights of one Prefect server; 0: no limit
    assess_limit: int = 0  # the same for vehicles; both are Prefect's own limits, seen and changed in its pages too

    @property
    def processes(self) -> int:
        return self.workers or os.cpu_count() or 1


NIGHT_NUMBERS = {
    "workers": (1, 4096),
    "bundle_mb": (0, 1e6),
    "quiet_days": (0, 3650),
    "limit_h": (0.01, 720),
    "port": (1, 65535),
    "take_limit": (0, 4096),
    "assess_limit": (0, 4096),
}
NIGHT_WHOLE = ("workers", "port", "take_limit", "assess_limit")


def night_settings(settings: Settings, folder: Path) -> NightSettings:
    """The [night] table of the store in `folder`; defaults where a key is missing. Raises: SettingsError."""
    night = night_of(settings.other.get("night", {}), settings.zone, Path(folder) / FILE)
    if not night.inbox or is_url(night.inbox):
        return night
    return replace(night, inbox=str(Path(folder).absolute() / night.inbox))


def night_of(table: Mapping[str, Any], zone: str, path: Path) -> NightSettings:
    """Checked settings of a TOML table; cron is checked by who keeps the schedule (flows/night_settings.py).

    Raises: SettingsError naming file, key and what is expected.
    """
    known = {f.name for f in fields(NightSettings)}
    checked: dict[str, Any] = {"zone": zone}
    for key, value in table.items():
        if key not in known:
            raise SettingsError(f"[night] {key} is not known", path, f"Known there: {', '.join(sorted(known))}")
        checked[key] = _night_value(key, value, path)
    night = NightSettings(**checked)
    _check_zone(night.zone, path)
    if night.when not in ("always", "news"):
        raise SettingsError(f"[night] when = {night.when!r}", path, "Write always or news")
    return night


def _night_value(key: str, value: object, path: Path) -> object:
    if key in NIGHT_NUMBERS:
        low, high = NIGHT_NUMBERS[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise SettingsError(f"[night] {key} = {value!r}", path, f"Write a number from {low:g} to {high:g}")
        return int(value) if key in NIGHT_WHOLE else float(value)
    if key == "notify":
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise SettingsError("[night] notify is not a list of addresses", path, 'Write notify = ["https://..."]')
        return tuple(value)
    if isinstance(value, str) and has_password(value):
        raise SettingsError(f"[night] {key} holds a user and a password", path, "They come from the environment")
    if not isinstance(value, str):
        raise SettingsError(f"[night] {key} = {value!r} is not text", path, f'Write {key} = "..."')
    return value
