"""Whose log is it: sidecar, else a pattern on the path, else identity signals on the bus. Contradictions are refused.

Serials of 0 or all ones are unset memory, not identities. Names are text from outside: they are checked for length and
control characters here, and shown escaped everywhere else.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.clock import local_to_utc
from herdbook.pipeline.times import micros
from herdbook.pipeline.vehicle.profile import Profile

UNSET = {0, 0xFF, 0xFFFF, 0xFFFFFF, 0xFFFFFFFF, 0xFFFFFFFFFF, 0xFFFFFFFFFFFF, 2**63 - 1, 2**64 - 1}
KEYS = {"vehicle", "profile", "start", "zone", "built", "in_service", "batch", "bench"}
MOST_SIDECAR_BYTES = 64 * 1024
LONGEST_NAME = 64


@dataclass(frozen=True, slots=True)
class Sidecar:
    """What `<log>.toml` beside a log says; empty when there is none. start: microseconds UTC."""

    vehicle: str = ""
    profile: str = ""
    start: int | None = None
    zone: str = ""
    bench: bool = False
    facts: dict[str, str] = field(default_factory=dict)  # built, in_service, batch, zone
    notes: tuple[str, ...] = ()


def sidecar_path(log: Path) -> Path:
    return log.with_name(log.name + ".toml")


def read_sidecar(log: Path, zone: str) -> Sidecar:
    """The sidecar of a log. zone: for a start without one of its own. Raises: InputError naming the sidecar."""
    path = sidecar_path(log)
    try:
        if path.stat().st_size > MOST_SIDECAR_BYTES:
            raise InputError("the sidecar is larger than 64 kB", path.name, "Look at what wrote it")
        table: dict[str, Any] = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return Sidecar()
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"the sidecar is not TOML: {error}", path.name, "Correct that line and try again") from None
    if unknown := sorted(set(table) - KEYS):
        known = ", ".join(sorted(KEYS))
        raise InputError(f"the sidecar's {unknown[0]!r} is not known", path.name, f"Known keys: {known}")
    try:
        return _sidecar(table, zone)
    except (ValueError, TypeError, KeyError) as error:
        raise InputError(f"the sidecar is wrong: {error}", path.name, "Correct it and try again") from None


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
    for key in ("batch", "zone"):
        if key in table:
            facts[key] = checked_name(str(table[key]), key)
    vehicle = checked_name(str(table["vehicle"]), "vehicle") if "vehicle" in table else ""
    return Sidecar(
        vehicle,
        str(table.get("profile", "")),
        start,
        zone if "zone" in table else "",
        table.get("bench", False),
        facts,
        tuple(notes),
    )


def checked_name(name: str, what: str) -> str:
    """A name from outside, trimmed. Raises: ValueError for an empty or long one or one with control characters."""
    name = name.strip()
    if not name or len(name) > LONGEST_NAME:
        raise ValueError(f"{what} must have 1 to {LONGEST_NAME} characters")
    if not name.isprintable():
        raise ValueError(f"{what} holds characters that cannot be printed")
    return name


def vehicle_from_path(path: str, patterns: Sequence[str]) -> str:
    """The vehicle that the patterns find in a path (with /; its last three pieces count), or "".

    Raises: InputError when two patterns disagree or the name cannot be used.
    """
    near = "/".join(path.split("/")[-3:])
    found = {m.group("vehicle") for p in patterns for m in re.finditer(p, near) if m.group("vehicle")}
    if len(found) > 1:
        raise InputError(f"the path names {' and '.join(sorted(found))}", "", "Make the path patterns agree")
    try:
        return checked_name(found.pop(), "vehicle") if found else ""
    except ValueError as error:
        raise InputError(f"the path's vehicle cannot be used: {error}", "", "Rename the file") from None


@dataclass(frozen=True, slots=True)
class SerialSeen:
    """An identity signal's value in one log; from_t, to_t: microseconds UTC, first and last time seen."""

    component: str
    serial: str
    from_t: int
    to_t: int
    samples: int


def written(serial: str, profile: Profile) -> str:
    """A vehicle serial from the bus, as the profile writes vehicles: "HB-{serial:05d}"."""
    form = profile.identity.get("vehicle", "")
    return form.format(serial=int(serial)) if form else serial


def whose(sidecar: str, path: str, serials: Sequence[SerialSeen], profile: Profile) -> tuple[str, str]:
    """(vehicle, how it is known: sidecar, path or bus). Raises: InputError on a contradiction or when nobody says."""
    on_bus = sorted({s.serial for s in serials if s.component == "vehicle"})
    if len(on_bus) > 1:
        raise InputError(
            f"the log holds several vehicles: serials {', '.join(on_bus[:5])}",
            "",
            "Two rides were merged into one file, or a serial was rewritten: split the log",
        )
    bus = written(on_bus[0], profile) if on_bus else ""
    claims = [(by, name) for by, name in (("sidecar", sidecar), ("path", path), ("bus", bus)) if name]
    if not claims:
        raise InputError(
            "nothing says which vehicle this log is from",
            "",
            'Write a sidecar with vehicle = "...", or a path pattern into herdbook.toml',
        )
    for by, name in claims[1:]:
        if name != claims[0][1] and not (by == "bus" and _same_number(claims[0][1], on_bus[0], profile)):
            raise InputError(
                f"the {claims[0][0]} says {claims[0][1]!r}, but the {by} says {name!r}",
                "",
                "Find out which is right; a sidecar that agrees with the bus settles it",
            )
    return claims[0][1], claims[0][0]


def _same_number(name: str, serial: str, profile: Profile) -> bool:
    """Without a written form in the profile, HB-00017 and serial 17 are the same vehicle."""
    digits = re.search(r"(\d+)$", name)
    return "vehicle" not in profile.identity and digits is not None and int(digits[1]) == int(serial)
