"""The sidecar of a log: `<log>.toml` beside it, in which a person or an uploader says what the log itself does not."""

from __future__ import annotations

import errno
import os
import stat
import tomllib
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.clock import local_to_utc
from herdbook.pipeline.intake.identity import checked_name
from herdbook.pipeline.times import micros

KEYS = {"vehicle", "profile", "start", "zone", "built", "in_service", "batch", "customer_ref", "bench"}
MOST_SIDECAR_BYTES = 64 * 1024
BESIDE = "Put the file itself beside the log, or remove the link"


@dataclass(frozen=True, slots=True)
class Sidecar:
    """What `<log>.toml` beside a log says; empty when there is none. start: microseconds UTC."""

    vehicle: str = ""
    profile: str = ""
    start: int | None = None
    zone: str = ""
    bench: bool = False
    facts: dict[str, str] = field(default_factory=dict)  # built, in_service, batch, customer_ref, zone
    notes: tuple[str, ...] = ()


def sidecar_path(log: Path) -> Path:
    return log.with_name(log.name + ".toml")


def read_sidecar(log: Path, zone: str) -> Sidecar:
    """The sidecar of a log. zone: for a start without one of its own. Raises: InputError naming the sidecar."""
    path = sidecar_path(log)
    try:
        table: dict[str, Any] = tomllib.loads(_text_of(path))
    except FileNotFoundError:
        return Sidecar()
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:  # the log's name leaves no room for that of a sidecar
            return Sidecar()
        raise
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"the sidecar is not TOML: {error}", path.name, "Correct that line and try again") from None
    if unknown := sorted(set(table) - KEYS):
        known = ", ".join(sorted(KEYS))
        raise InputError(f"the sidecar's {unknown[0]!r} is not known", path.name, f"Known keys: {known}")
    try:
        return _sidecar(table, zone)
    except (ValueError, TypeError, KeyError, OSError, OverflowError) as error:
        raise InputError(f"the sidecar is wrong: {error}", path.name, "Correct it and try again") from None


def _text_of(path: Path) -> str:
    """Of a plain file of bounded size beside the log: who may put logs into the inbox must not have us read, or wait
    for, anything else. Raises: InputError, OSError, UnicodeDecodeError."""
    if path.is_symlink():
        try:
            inside = path.resolve(strict=True).parent == path.parent.resolve()
        except (OSError, RuntimeError):
            raise InputError("the sidecar is a link that leads nowhere, or in a circle", path.name, BESIDE) from None
        if not inside:
            raise InputError("the sidecar is a link to another folder", path.name, BESIDE)
    with open(
        path, "rb", opener=lambda name, flags: os.open(name, flags | getattr(os, "O_NONBLOCK", 0))
    ) as file:  # a pipe would wait
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise InputError("the sidecar is no file, but a pipe, a folder or a device", path.name, "Remove it")
        text = file.read(MOST_SIDECAR_BYTES + 1)
    if len(text) > MOST_SIDECAR_BYTES:
        raise InputError("the sidecar is larger than 64 kB", path.name, "Look at what wrote it")
    return text.decode("utf-8")


def _sidecar(table: dict[str, Any], zone: str) -> Sidecar:
    zone = str(table.get("zone", zone))
    ZoneInfo(zone)
    start, notes = None, []
    if "start" in table:
        moment = table["start"]
        if not isinstance(moment, datetime):
            raise ValueError("start must be a date and time such as 2026-03-01T08:00:00Z")
        start, note = (micros(moment), "") if moment.tzinfo else local_to_utc(moment, zone)
        notes += [note] if note else []
    if not isinstance(table.get("bench", False), bool):
        raise ValueError("bench must be true or false")
    facts: dict[str, str] = {}
    days = ("built", "in_service")
    for key in days:
        if key in table:
            value = table[key] if isinstance(table[key], date) else date.fromisoformat(str(table[key]))
            facts[key] = (value.date() if isinstance(value, datetime) else value).isoformat()
    for key in ("batch", "zone", "customer_ref"):
        if key in table:
            facts[key] = checked_name(str(table[key]), key)
    vehicle = checked_name(str(table["vehicle"]), "vehicle") if "vehicle" in table else ""
    return Sidecar(
        vehicle=vehicle,
        profile=str(table.get("profile", "")),
        start=start,
        zone=zone if "zone" in table else "",
        bench=table.get("bench", False),
        facts=facts,
        notes=tuple(notes),
    )
