"""Is everything there that Herdbook needs: program, libraries, store, profiles, rights, room, clock.

Reads only, but for an older catalogue, which is brought to the newest version as by every command, and the note of
that version beside it.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from importlib.metadata import PackageNotFoundError, requires, version
from importlib.util import find_spec
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.extras import EXTRAS
from herdbook.pipeline.operating_system import open_to_all
from herdbook.pipeline.own.load import NO_OWN, own_of
from herdbook.pipeline.settings import FILE, unknown_tables
from herdbook.pipeline.store.connection import connect
from herdbook.pipeline.store.settings_used import settings_changed
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import utc_now

OLDEST_PYTHON = (3, 11)
LEAST_FREE_GB = 2.0  # engineering choice: a night of a small fleet, and its scratch files
LEAST_FREE_SHARE = 0.25  # of what the store takes: engineering choice
FOR_EXTRA = {
    "night": "herdbook night, serve, backfill",
    "mf4": "writing MF4 files (reading them needs nothing)",
    "book": "service books kept as sheets (.xlsx)",
    "desk": "herdbook desk",
    "grow": "several machines and object storage",
}


class State(StrEnum):
    """good: as it must be. told: works, but worth knowing. bad: something will not work."""

    GOOD = "good"
    TOLD = "told"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class Condition:
    """what was looked at, and what was found there. do: what mends it, "" when nothing has to be."""

    what: str
    state: State
    found: str
    do: str = ""


def program() -> Iterator[Condition]:
    """Python, Herdbook's libraries, extras, time zones."""
    running = ".".join(map(str, sys.version_info[:3]))
    if sys.version_info[:2] < OLDEST_PYTHON:
        yield Condition("Python", State.BAD, running, f"Install Python {'.'.join(map(str, OLDEST_PYTHON))} or newer")
    else:
        yield Condition("Python", State.GOOD, running)
    try:
        needed = [r.split(";")[0] for r in requires("herdbook") or [] if "extra ==" not in r]
    except PackageNotFoundError:
        needed = []
        yield Condition("herdbook", State.TOLD, "runs from a folder and is not installed", "pip install .")
    for name in sorted(r.split(">")[0].split("<")[0].split("=")[0].split("[")[0].strip() for r in needed):
        yield _library(name)
    for extra, modules in EXTRAS.items():
        missing = [m for m in modules if find_spec(m) is None]
        do = f"For {FOR_EXTRA[extra]}: pip install 'herdbook[{extra}]'" if missing else ""
        found = f"without {', '.join(missing)}" if missing else "installed"
        yield Condition(f"extra {extra}", State.TOLD if missing else State.GOOD, found, do)
    try:
        ZoneInfo("Europe/Vienna")
        yield Condition("time zones", State.GOOD, "known")
    except ZoneInfoNotFoundError:
        yield Condition("time zones", State.BAD, "this machine has none", "Install the package tzdata")


def _library(name: str) -> Condition:
    try:
        return Condition(name, State.GOOD, version(name))
    except PackageNotFoundError:
        return Condition(name, State.BAD, "missing", f"pip install {name}")


def of_store(folder: Path) -> Iterator[Condition]:
    """A store: settings and catalogue, profiles, publication, rights, room and the clock of this machine."""
    try:
        store = Store.open(folder)
    except HerdbookError as error:
        yield Condition("store", State.BAD, error.what, error.do)
        return
    yield Condition("store", State.GOOD, str(store.folder))
    yield _profiles(store)
    yield from _own(store)
    if store.fleet.exists():
        yield Condition("published", State.GOOD, "yes")
    else:
        yield Condition("published", State.TOLD, "nothing yet", "Run a scan")
    yield from _rights(store)
    yield _room(store)
    yield _clock(store)


def _profiles(store: Store) -> Condition:
    try:
        found = store.profiles()
    except HerdbookError as error:
        return Condition("profiles", State.BAD, error.what, error.do)
    if bad := store.refused_profiles():
        do = "Correct the file; until then its vehicles are not assessed"
        return Condition("profiles", State.BAD, "; ".join(r.words for r in bad), do)
    return Condition("profiles", State.GOOD, ", ".join(p.name for p in found))


def _own(store: Store) -> Iterator[Condition]:
    """Rules and metrics that the settings name; nothing where they name none."""
    try:
        own = own_of(store)
    except HerdbookError as error:
        yield Condition("own rules", State.BAD, error.what, error.do)
        return
    if own.broken:
        do = "Correct it; until then all else is judged (herdbook rules test)"
        yield Condition("own rules", State.TOLD, "; ".join(b.words for b in own.broken), do)
    elif own != NO_OWN:
        yield Condition("own rules", State.GOOD, ", ".join([*own.rules, *own.sets]) or "none in the folder")


def _rights(store: Store) -> Iterator[Condition]:
    if not os.access(store.folder, os.W_OK):
        yield Condition("rights", State.TOLD, "the store can be read only", "Scans need the right to write into it")
    else:
        yield Condition("rights", State.GOOD, "readable and writable")
    settings = store.folder / FILE
    for words in unknown_tables(store.settings).values():
        yield Condition("settings", State.TOLD, words, "Correct its name, or take it out")
    if changed := settings_changed(store):
        yield Condition("settings", State.TOLD, "; ".join(changed), f"Look at {FILE}; the next scan goes by it")
    if settings.exists() and open_to_all(settings):
        do = f"It may hold addresses of webhooks: chmod 600 {FILE}"
        yield Condition("settings", State.TOLD, f"{FILE} can be read by everybody on this machine", do)


def _room(store: Store) -> Condition:
    free = shutil.disk_usage(store.folder).free / 1e9
    taken = sum(p.stat().st_size for p in store.folder.rglob("*") if p.is_file()) / 1e9
    found = f"{free:.1f} GB free, the store takes {taken:.1f} GB"
    if free < max(LEAST_FREE_GB, LEAST_FREE_SHARE * taken):
        return Condition("room", State.TOLD, found, "Make room, or set [keep] parts_days in the settings")
    return Condition("room", State.GOOD, found)


def _clock(store: Store) -> Condition:
    with connect(store.catalogue, read_only=True) as con:
        row = con.execute("SELECT max(received_t), max(end_t) FROM logs").fetchone()
    now = utc_now()
    latest = max((t for t in row or () if t is not None), default=None)
    if latest is not None and latest > now + timedelta(hours=1):
        found = f"this machine says {now:%Y-%m-%d %H:%M} UTC, the newest record is of {latest:%Y-%m-%d %H:%M}"
        do = "Check this machine's clock before the next scan; if it is right, a logger's clock runs ahead"
        return Condition("clock", State.BAD, found, do)
    return Condition("clock", State.GOOD, f"{now:%Y-%m-%d %H:%M} UTC")
