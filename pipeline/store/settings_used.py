"""By which settings a store was last scanned, and what is set otherwise by now.

A setting can change without anybody meaning it: a slip of the hand, a bit that flips. The value is as valid as the one
before, so nothing refuses it; a scan tells it instead, with what it was.
"""

from __future__ import annotations

import hashlib
from dataclasses import fields

from herdbook.pipeline.addresses import is_url
from herdbook.pipeline.settings import TABLES, NightSettings, Settings, unknown_tables
from herdbook.pipeline.store.connection import transaction, visit
from herdbook.pipeline.store.store import Store

ADDRESSES = ("inbox", "notify", "server", "dask")  # of [night]: what they hold may be secret
NIGHT = {f.name for f in fields(NightSettings)} - set(ADDRESSES)
NOT_SET = "not set"
DIGEST = "sha256:"  # begins what stands for a value that is not kept
MOST = 80  # characters of a value that are shown


def settings_as_text(settings: Settings) -> dict[str, str]:
    """Every setting as it is in force, defaults too, by its name in herdbook.toml. Addresses and tables that Herdbook
    does not know are digests: they may hold secrets."""
    table_of = {key: table for table, keys in TABLES.items() for key in keys}
    told = {}
    for f in fields(Settings):
        if f.name != "other":
            value = getattr(settings, f.name)
            name = f"[{table_of[f.name]}] {f.name}" if f.name in table_of else f.name
            told[name] = _digest(value) if is_url(str(value)) else _text(value)
    for table, keys in settings.other.items():
        for key, value in keys.items():
            plain = table == "night" and key in NIGHT and not is_url(str(value))
            told[f"[{table}] {key}"] = _text(value) if plain else _digest(value)
    return told


def settings_changed(store: Store) -> list[str]:
    """What is set otherwise than when the store was last scanned, one sentence each; nothing before the first scan."""
    with visit(store.catalogue, read_only=True) as con:
        before = dict(con.execute("SELECT setting, value FROM settings_used").fetchall())
    return _differences(before, settings_as_text(store.settings))


def note_settings(store: Store, scan: str) -> list[str]:
    """Keep the settings in force as those of this scan, and what changed for its change list, with every table in which
    something is set for the first time and that nobody reads; returns the latter."""
    now = settings_as_text(store.settings)
    with transaction(store.catalogue) as con:
        before = dict(con.execute("SELECT setting, value FROM settings_used").fetchall())
        if before == now:
            return []
        tables = {name.partition("] ")[0].removeprefix("[") for name in before}
        strange = [words for name, words in unknown_tables(store.settings).items() if name not in tables]
        told = [*_differences(before, now), *strange]
        con.execute("DELETE FROM settings_used")
        con.executemany("INSERT INTO settings_used VALUES (?, ?)", sorted(now.items()))
        for note in told:
            con.execute("INSERT INTO night_notes VALUES (?, ?)", [scan, note])
    return told


def _differences(before: dict[str, str], now: dict[str, str]) -> list[str]:
    if not before:
        return []
    told = []
    for name in sorted(before.keys() | now.keys()):
        was, is_now = before.get(name, NOT_SET), now.get(name, NOT_SET)
        if was != is_now:
            kept = not (was + is_now).count(DIGEST)
            how = f" from {_short(was)} to {_short(is_now)}" if kept else ""
            told.append(f"setting {name} changed{how} since the last scan")
    return told


def _text(value: object) -> str:
    if isinstance(value, tuple | list):
        return "[" + ", ".join(map(repr, value)) + "]"
    if value is None or value == "":
        return NOT_SET
    return f"{value:g}" if isinstance(value, float) and value == float(f"{value:g}") else str(value)


def _digest(value: object) -> str:
    return DIGEST + hashlib.sha256(repr(value).encode()).hexdigest()[:16]


def _short(value: str) -> str:
    clean = "".join(c if c.isprintable() else " " for c in value)
    return clean if len(clean) <= MOST else clean[: MOST - 1] + "…"
