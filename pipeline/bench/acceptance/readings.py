"""Readings of instruments beside the bus: a TOML file that whoever tests, or the instrument's program, writes.

    [[reading]]
    name = "insulation"
    value = 12.4
    unit = "MOhm"
    error = 0.4                    # standard uncertainty, of the instrument's calibration sheet
    instrument = "insulation tester 3"
    who = "bench 2"

What a plan's check asks for by `reading = "insulation"` is looked up here. A reading without an error decides nothing.
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from pathlib import Path

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.vehicle.figures import Figures, Needed, Number, Text
from herdbook.pipeline.vehicle.key_lines import KeyLines
from herdbook.pipeline.vehicle.problems import Findings, in_order


class ReadingKeys(Figures):
    table = "reading"
    name = Text("what was read")
    item = Text('of which group, motor or place: "7", "left"; left out where there is one')
    value = Needed("", -1e12, 1e12, "what it read")
    unit = Text("in this unit")
    error = Number("", 0, 1e12, "its standard uncertainty")
    instrument = Text("with what")
    who = Text("by whom")


@dataclass(frozen=True, slots=True)
class Reading:
    name: str
    item: str
    value: float
    unit: str
    error: float | None
    instrument: str
    who: str


@dataclass(frozen=True, slots=True)
class Readings:
    """hash: SHA-256 of the file; "" where none was given."""

    rows: tuple[Reading, ...] = ()
    hash: str = ""

    def of(self, name: str) -> list[Reading]:
        return [r for r in self.rows if r.name == name]


def read_readings(path: Path | None) -> Readings:
    """Raises: InputError with every mistake of the file."""
    if path is None:
        return Readings()
    try:
        raw = path.read_bytes()
        text = raw.decode("utf-8")
        table = tomllib.loads(text)
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", path, "Check the path") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"is not TOML: {error}", path, "Correct that line") from None
    found = Findings(KeyLines(text))
    for name in table.keys() - {"reading"}:
        found.unknown((name,), f"[{name}]", ("reading",))
    rows = [r for n, entry in enumerate(_entries(table, found)) if (r := _reading(entry, n, found)) is not None]
    seen: set[tuple[str, str]] = set()
    for n, row in enumerate(rows):
        if (row.name, row.item) in seen:
            do = "Keep the one that counts, or tell them apart by item"
            found.wrong(("reading", n), f"{row.name} {row.item}".strip() + " stands twice", do)
        seen.add((row.name, row.item))
    if found.errors:
        said = in_order(found.errors)
        raise InputError("; ".join(str(p).rstrip(".") for p in said), path)
    return Readings(tuple(rows), hashlib.sha256(raw).hexdigest())


def _entries(table: dict[str, object], found: Findings) -> list[dict[str, object]]:
    entries = table.get("reading", [])
    if isinstance(entries, list) and all(isinstance(e, dict) for e in entries):
        return entries
    found.wrong(("reading",), "[reading] is not written as a list", "Write [[reading]], one for each")
    return []


def _reading(entry: dict[str, object], number: int, found: Findings) -> Reading | None:
    lines = {line.key: line for line in ReadingKeys.lines()}
    before = len(found.errors)
    for key, value in entry.items():
        if key not in lines:
            found.unknown(("reading", number, key), f"[[reading]] {key}", lines)
        elif expected := lines[key].wrong(value):
            found.wrong(("reading", number, key), f"{key} = {value!r} cannot be", f"Write {expected}")
    for key in ("name", "value", "unit"):
        if entry.get(key, "") == "":
            found.wrong(("reading", number), f"[[reading]] lacks {key}: {lines[key].meaning}", f"Write {key} = ...")
    if len(found.errors) > before:
        return None
    keys = ReadingKeys(entry, "the readings")
    return Reading(keys.name, keys.item, keys.value, keys.unit, keys.error, keys.instrument, keys.who)
