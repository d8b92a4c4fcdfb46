"""A table that an instrument of the stand wrote (CSV): columns with units, and a clock of its own.

    time [s],torque [Nm],speed [rpm]
    0.000,0.02,0.0
    0.020,0.03,0.0

A column's name says what it is (CHANNELS), its unit stands in brackets: a unit is never guessed. Time is seconds since
any moment, or ISO 8601 without a unit. Fields are parted by comma, semicolon or tab; beside a semicolon or tab a comma
may be the decimal sign.
"""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.vehicle.signals import Series

MOST_BYTES = 100_000_000  # some millions of rows
MOST_BAD = 0.2  # of the fields of a column may be no number
_RPM = {"rpm": 1.0, "1/min": 1.0, "min-1": 1.0, "rad/s": 30.0 / np.pi, "Hz": 60.0, "1/s": 60.0, "krpm": 1000.0}
_NM = {
    "Nm": 1.0,
    "N m": 1.0,
    "N.m": 1.0,
    "N·m": 1.0,
    "mNm": 1e-3,
    "kNm": 1e3,
    "lbf ft": 1.3558179483,
    "lbf in": 0.1129848290,
}
_N = {"N": 1.0, "kN": 1e3, "kgf": 9.80665, "lbf": 4.4482216153}
_A, _V = {"A": 1.0, "mA": 1e-3}, {"V": 1.0, "mV": 1e-3}
_C = {"degC": 1.0, "°C": 1.0, "C": 1.0}
_MS = {"m/s": 1.0, "km/h": 1.0 / 3.6, "mph": 0.44704}
_TIME = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "min": 60.0, "h": 3600.0}


@dataclass(frozen=True, slots=True)
class Channel:
    """What a column can be. unit: ours; units: those that are read, with the factor to ours."""

    unit: str
    units: Mapping[str, float]
    meaning: str


CHANNELS = {
    "torque": Channel("Nm", _NM, "at the motor's shaft, positive as it drives"),
    "force": Channel("N", _N, "on the load cell of a swinging brake; needs arm_m"),
    "speed": Channel("rpm", _RPM, "of the motor"),
    "current": Channel("A", _A, "direct current into the drive, positive as it drives"),
    "voltage": Channel("V", _V, "direct voltage at the drive"),
    "motor_current": Channel("A", _A, "torque current of the motor, as the controller counts it"),
    "line_voltage": Channel("V", _V, "peak between two phases, with the motor driven and its phases open"),
    "winding": Channel("degC", _C, "temperature of the winding"),
    "ambient": Channel("degC", _C, "air around the motor"),
    "cell_temp": Channel("degC", _C, "of a cell"),
    "wheel_torque": Channel("Nm", _NM, "behind the belt"),
    "wheel_speed": Channel("rpm", _RPM, "behind the belt"),
    "vehicle_speed": Channel("m/s", _MS, "over the ground"),
}
_HEAD = re.compile(r"\s*(.*?)\s*(?:[\[(]\s*([^\])]*?)\s*[\])])?\s*$", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Table:
    """Channels by name, all on the clock of the instrument. dated: its times are UTC, else seconds of its own from any
    moment. bad: fields that were no number, by column."""

    path: Path
    channels: dict[str, Series]
    dated: bool
    bad: dict[str, int]


def is_table(path: Path) -> bool:
    """Whether a file begins as such a table does: its first column is called time."""
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError:
        return False
    first = head.decode("utf-8-sig", "replace").splitlines()[:1]
    return bool(first) and re.match(r'\s*"?time\s*["\[(,;\t]', first[0], re.IGNORECASE) is not None


def read_table(path: Path, named: Mapping[str, str] | None = None) -> Table:
    """The table. named: what a channel is called in this file, where it is not called by its own name, as
    {"torque": "Messwert [Nm]"}. Raises: InputError for units or columns unknown, times that go back, too little."""
    rows = _rows(path)
    head, body = rows[0], rows[1:]
    known = {text.strip(): channel for channel, text in (named or {}).items()}
    for text, channel in known.items():
        if channel not in CHANNELS:
            raise InputError(f"[columns] names {channel!r}, which is no channel", path, _channels())
        if text not in {cell.strip() for cell in head}:
            here = ", ".join(cell.strip() for cell in head)
            raise InputError(f"there is no column {text!r}", path, f"Correct [columns]; the file has: {here}")
    if len(body) < 10:
        raise InputError(f"has {len(body)} rows, too few for a test", path, "Record longer, or name another file")
    columns = [[row[k] if k < len(row) else "" for row in body] for k in range(len(head))]
    at = next((k for k, cell in enumerate(head) if _parted(cell)[0] == "time"), None)
    if at is None:
        raise InputError("has no column `time`", path, "Head a column `time [s]`")
    t, dated = _times(path, head[at], columns[at])
    good = t >= 0
    channels: dict[str, Series] = {}
    bad: dict[str, int] = {}
    for k, cell in enumerate(head):
        text = cell.strip()
        name, unit = _parted(cell)
        name = known.get(text, name)
        if k == at or (name not in CHANNELS and text not in known):
            continue
        v, wrong = _numbers(columns[k])
        if wrong > MOST_BAD * len(body):
            raise InputError(
                f"{wrong} of {len(body)} fields in column {text!r} are no numbers", path, "Correct the file"
            )
        if wrong:
            bad[text] = wrong
        if name in channels:
            raise InputError(f"has two columns for {name}", path, "Keep one, or name one in [columns]")
        channels[name] = Series(t[good], v[good] * _factor(path, name, text, unit))
    if not channels:
        raise InputError("no column is one that is known", path, _channels())
    back = np.flatnonzero(np.diff(t[good]) <= 0)
    if back.size:
        raise InputError(f"time does not rise at row {int(back[0]) + 3}", path, "Export one run in order of time")
    return Table(path, channels, dated, bad)


def _channels() -> str:
    return "Columns that are read: " + ", ".join(f"{n} [{c.unit}]" for n, c in CHANNELS.items())


def _rows(path: Path) -> list[list[str]]:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InputError(f"is larger than {MOST_BYTES // 10**6} MB", path, "Export fewer samples a second")
        raw = path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror or error})", path, "Check the path") from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")  # what older instruments write; only heads hold more than digits
    first = text.split("\n", 1)[0]
    mark = max(";\t,", key=first.count)
    try:
        rows = [row for row in csv.reader(text.splitlines(), delimiter=mark) if any(cell.strip() for cell in row)]
    except csv.Error as error:
        raise InputError(f"is no table: {error}", path, "Export it as CSV with a line of heads") from None
    if not rows:
        raise InputError("is empty", path, "Name the table the instrument wrote")
    if mark != ",":
        rows[1:] = [[cell.replace(",", ".") for cell in row] for row in rows[1:]]
    return rows


def _parted(cell: str) -> tuple[str, str]:
    """Name and unit of a head."""
    found = _HEAD.match(cell)
    return (found[1].strip().lower().replace(" ", "_"), found[2] or "") if found else (cell.strip().lower(), "")


def _numbers(cells: list[str]) -> tuple[Floats, int]:
    """Values, NaN for an empty field or none; and how many of the fields that say something say no number."""
    out = np.full(len(cells), np.nan)
    wrong = 0
    for k, cell in enumerate(cells):
        if not (text := cell.strip()):
            continue
        try:
            out[k] = float(text)
        except ValueError:
            wrong += 1
    out[~np.isfinite(out)] = np.nan
    return out, wrong


def _factor(path: Path, name: str, text: str, unit: str) -> float:
    units = CHANNELS[name].units
    if not unit:
        do = f"Write it in the head, as in `{name} [{CHANNELS[name].unit}]`"
        raise InputError(f"column {text!r} has no unit", path, do)
    if unit not in units:
        near = difflib.get_close_matches(unit, units, 1, 0.4)
        do = f"Units of {name}: {', '.join(units)}" + (f" (nearest: {near[0]})" if near else "")
        raise InputError(f"column {text!r} has the unit {unit!r}, which is not known here", path, do)
    return units[unit]


def _times(path: Path, head: str, cells: list[str]) -> tuple[Times, bool]:
    """Microseconds, -1 where there is none; and whether they are UTC."""
    _, unit = _parted(head)
    if unit in _TIME:
        seconds, _ = _numbers(cells)
        if np.isfinite(seconds).sum() < 10:
            raise InputError(f"column {head.strip()!r} holds no times", path, "Head the column of times `time [s]`")
        seconds = (seconds - np.nanmin(seconds)) * _TIME[unit]
        return np.where(np.isfinite(seconds), np.round(np.nan_to_num(seconds) * 1e6), -1).astype(np.int64), False
    if unit not in ("", "UTC", "ISO"):
        raise InputError(
            f"column {head.strip()!r} has the unit {unit!r}", path, f"Units of time: {', '.join(_TIME)}, UTC"
        )
    out = np.full(len(cells), -1, np.int64)
    for k, cell in enumerate(cells):
        try:
            moment = datetime.fromisoformat(cell.strip())
        except ValueError:
            continue
        moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment
        out[k] = round(moment.timestamp() * 1e6)
    if (out >= 0).sum() < 10:
        do = "Write the unit in the head, as in `time [s]`, or times as 2026-03-20T10:00:00.020"
        raise InputError(f"column {head.strip()!r} has no unit, and holds no times as ISO 8601", path, do)
    return out, True
