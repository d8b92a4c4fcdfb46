"""The night's settings: the [night] table of the store's herdbook.toml. Every key has a default.

[night]
inbox = "/data/inbox"   # folder (relative to the store) or any fsspec URL; needed for serving
cron = "30 2 * * *"     # when to run while serving
zone = "Europe/Vienna"  # of cron and run names; else the store's (top-level `zone`)
workers = 4             # processes that decode and assess; else one a core
bundle_mb = 16          # small logs are bundled up to this size: Prefect's share of the time stays small
notify = ["https://hooks.example/fleet", "mailto://..."]  # webhook or any Apprise address
when = "always"         # or "news": no message when there is nothing to call about
quiet_days = 3          # call when no vehicle at all has a newer record
limit_h = 6             # a night that takes longer is ended; the next one goes on from there
server = "http://host:4200/api"  # a Prefect server that somebody else runs; else we start one
port = 4200             # of our own server while serving
dask = "tcp://host:8786"  # a Dask scheduler, or "local": a cluster of processes on this machine
take_limit = 8          # tasks that take logs in at one time, over all nights of one Prefect server; 0: no limit is set
assess_limit = 8        # the same for vehicles; both are Prefect's own limits, seen and changed in its pages too
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from herdbook.pipeline.errors import SettingsError


@dataclass(frozen=True, slots=True)
class Plan:
    """The settings of a night, checked. See the module for what each one means."""

    inbox: str = ""
    cron: str = "30 2 * * *"
    zone: str = "UTC"
    workers: int = 0
    bundle_mb: float = 16.0
    notify: tuple[str, ...] = ()
    when: str = "always"
    quiet_days: float | None = None
    limit_h: float = 6.0
    server: str = ""
    port: int = 4200
    dask: str = ""
    take_limit: int = 0
    assess_limit: int = 0

    @property
    def processes(self) -> int:
        return self.workers or os.cpu_count() or 1


NUMBERS = {
    "workers": (1, 4096),
    "bundle_mb": (0, 1e6),
    "quiet_days": (0, 3650),
    "limit_h": (0.01, 720),
    "port": (1, 65535),
    "take_limit": (0, 4096),
    "assess_limit": (0, 4096),
}
WHOLE = ("workers", "port", "take_limit", "assess_limit")


def read_plan(store: Path | str) -> Plan:
    """The [night] table of the store's settings; defaults where a key is missing. Raises: SettingsError."""
    from herdbook.pipeline.settings import FILE, read_settings

    settings = read_settings(Path(store))
    plan = plan_of(settings.other.get("night", {}), settings.zone, Path(store) / FILE)
    if not plan.inbox or "://" in plan.inbox:
        return plan
    return replace(plan, inbox=str(Path(store).absolute() / plan.inbox))


def plan_of(table: Mapping[str, Any], zone: str, path: Path) -> Plan:
    """A checked Plan of a TOML table. Raises: SettingsError naming file, key and what is expected."""
    known = {f.name for f in fields(Plan)}
    checked: dict[str, Any] = {"zone": zone}
    for key, value in table.items():
        if key not in known:
            raise SettingsError(f"[night] {key} is not known", path, f"Known there: {', '.join(sorted(known))}")
        checked[key] = _checked(key, value, path)
    plan = Plan(**checked)
    _check_schedule(plan, path, default="cron" not in table)
    if plan.when not in ("always", "news"):
        raise SettingsError(f"[night] when = {plan.when!r}", path, "Write always or news")
    return plan


def _checked(key: str, value: object, path: Path) -> object:
    if key in NUMBERS:
        low, high = NUMBERS[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise SettingsError(f"[night] {key} = {value!r}", path, f"Write a number from {low:g} to {high:g}")
        return int(value) if key in WHOLE else float(value)
    if key == "notify":
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise SettingsError("[night] notify is not a list of addresses", path, 'Write notify = ["https://..."]')
        return tuple(value)
    if not isinstance(value, str):
        raise SettingsError(f"[night] {key} = {value!r} is not text", path, f'Write {key} = "..."')
    return value


def _check_schedule(plan: Plan, path: Path, default: bool) -> None:
    try:
        ZoneInfo(plan.zone)
    except (KeyError, ValueError, OSError):
        raise SettingsError(f"zone {plan.zone!r} is no time zone", path, "Write one like Europe/Vienna") from None
    if default:
        return  # the default needs no check, and no second for importing Prefect
    from prefect.schedules import Cron

    try:
        Cron(plan.cron, timezone=plan.zone)
    except (ValueError, TypeError):
        raise SettingsError(
            f"[night] cron = {plan.cron!r} is no schedule",
            path,
            'Write five fields: minute hour day month weekday, like "30 2 * * *"',
        ) from None
