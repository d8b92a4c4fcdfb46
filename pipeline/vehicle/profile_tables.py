"""Every table of a profile with its keys: the maker's figures, and the few keys of the other tables, by the same lines.

The check of a profile and the list for people (dbc_demo/README.md) are made from these; [limits], [protection] and
[roles] have keys of their own: rules' limits, messages, roles.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from herdbook.pipeline.vehicle.figures import TABLES, FigureLine, Figures, Flag, PackFigures, Text, Whole
from herdbook.pipeline.vehicle.packs import TABLE
from herdbook.pipeline.vehicle.problems import Findings

OTHER_TABLES = ("limits", "protection", "roles")


class Day(FigureLine["date | None"]):
    """A date, or a date with a time; None where the profile gives none."""

    kind = "date"

    def __init__(self, meaning: str, used_by: str = "") -> None:
        super().__init__("", 0, 1, meaning, used_by=used_by)

    def read(self, figures: Figures) -> date | None:
        found = figures.raw.get(self.key)
        return found if isinstance(found, date) else None

    def wrong(self, value: object) -> str:
        return "" if isinstance(value, date | datetime) else "a date such as 2026-03-01"


class TopKeys(Figures):
    table = ""
    name = Text("what the profile is called: letters, digits, '.', '-', '_'; the file's name when left out")
    family = Text("the same vehicle at different firmware; the name when left out", used_by="choosing a profile")


class ValidKeys(Figures):
    table = "valid"
    from_ = Day("first day of this wiring; open when left out", used_by="choosing a profile")
    to = Day("the day from which it is no longer so; open when left out", used_by="choosing a profile")


class BusKeys(Figures):
    table = "bus"
    dbc = Text("its DBC file, relative to the profile; needed", used_by="decoding")
    channel = Text('its label in logs, such as "can0|1"; any when left out', used_by="decoding")
    bit_rate = Whole("bit/s", 1000, 20_000_000, "bits a second; wins over the DBC file's", used_by="bus load")
    data_bit_rate = Whole("bit/s", 1000, 20_000_000, "of the data phase of CAN FD, likewise", used_by="bus load")
    lenient = Flag("a DBC file with overlapping or impossible signals is used as far as it is sound", "decoding")


class IdentityKeys(Figures):
    table = "identity"
    path = Text("pattern on a log's path with a group (?P<vehicle>...)", used_by="whose a log is")
    vehicle = Text('how a serial from the bus is written, as in "HB-{serial:05d}"', used_by="whose a log is")


ALL_TABLES: dict[str, type[Figures]] = {
    **{t.table: t for t in (TopKeys, ValidKeys)},
    **TABLES,
    **{t.table: t for t in (BusKeys, IdentityKeys)},
}


def tables_known() -> list[str]:
    """Names that may stand at the top of a profile: tables, and the keys of none."""
    return [*_keys(TopKeys), *(name for name in ALL_TABLES if name), TABLE, *OTHER_TABLES]


def check_keys(table: dict[str, Any], found: Findings) -> dict[str, Any]:
    """Every key of every table: is it known, can its value be? Returns the tables without what is refused, so that the
    other checks can go on and tell more."""
    sound: dict[str, Any] = {}
    for name, value in table.items():
        if name in _keys(TopKeys):
            sound |= _sound(TopKeys, {name: value}, (), found)
        elif name not in tables_known():
            found.unknown((name,), f"table [{name}]" if isinstance(value, dict | list) else name, tables_known())
        elif name == "bus":
            sound[name] = _buses(value, found)
        elif name == TABLE:
            sound[name] = _other_packs(value, found)
        elif not isinstance(value, dict):
            found.wrong((name,), f"{name} = {value!r} is no table", f"Write [{name}] on a line of its own")
        else:
            sound[name] = _sound(ALL_TABLES[name], value, (name,), found) if name in ALL_TABLES else value
    return sound


def _buses(entries: object, found: Findings) -> list[dict[str, Any]]:
    if not isinstance(entries, list) or not all(isinstance(x, dict) for x in entries):
        found.wrong(("bus",), "[bus] is not written as a list", "Write [[bus]], one for each wire")
        return []
    out = []
    for number, entry in enumerate(entries):
        if "dbc" not in entry:
            found.wrong(("bus", number), "[[bus]] names no DBC file", 'Write dbc = "board.dbc"')
        out.append(_sound(BusKeys, entry, ("bus", number), found))
    return out


def _other_packs(entries: object, found: Findings) -> list[dict[str, Any]]:
    """The figures of each; their roles are read where signals are known."""
    if not isinstance(entries, list) or not all(isinstance(x, dict) for x in entries):
        found.wrong((TABLE,), f"[{TABLE}] is not written as a list", f"Write [[{TABLE}]], one a pack")
        return []
    out = []
    for number, entry in enumerate(entries):
        at, figures = (TABLE, number), {k: v for k, v in entry.items() if k not in ("roles", "beside")}
        if "beside" in entry:
            found.wrong((*at, "beside"), "how many packs there are stands in [pack]", "Write [pack] beside")
        out.append(_sound(PackFigures, figures, at, found, head=f"[[{TABLE}]] "))
    return out


def _sound(
    kind: type[Figures], given: dict[str, Any], at: tuple[str | int, ...], found: Findings, head: str = ""
) -> dict[str, Any]:
    lines = _keys(kind)
    sound = {}
    for key, value in given.items():
        shown = f"{head or _head(kind)}{key}"
        if key not in lines:
            found.unknown((*at, key), shown, lines)
        elif expected := lines[key].wrong(value):
            found.wrong((*at, key), f"{shown} = {_shown(value)} cannot be: {lines[key].meaning}", f"Write {expected}")
        else:
            sound[key] = value
    return sound


def _head(kind: type[Figures]) -> str:
    return "" if not kind.table else f"[[{kind.table}]] " if kind.table == "bus" else f"[{kind.table}] "


def _shown(value: object) -> str:
    said = str(value).lower() if isinstance(value, bool) else repr(value)
    return said if len(said) <= 60 else f"{said[:57]}..."


def _keys(kind: type[Figures]) -> dict[str, FigureLine[Any]]:
    return {line.key: line for line in kind.lines()}


def not_given(tables: Mapping[str, Mapping[str, object]]) -> list[tuple[str, str, str]]:
    """Figures that somebody reads and that the profile does not give: "[pack] bleed_ohm", what stands in ("" where
    nothing does), who reads it. tables: by name, as in the profile."""
    lines = [line for name, kind in TABLES.items() for line in kind.lines() if line.key not in tables.get(name, {})]
    wanted = [line for line in lines if line.used_by and line.kind not in ("text", "true or false", "numbers")]
    return [(f"[{line.table}] {line.key}", line.default.replace("`", ""), line.used_by) for line in wanted]


def reference() -> list[str]:
    """The list of all keys for people, as rows of a table in markdown."""
    rows = ["| key | unit | possible | meaning; *default* | read by |", "|---|---|---|---|---|"]
    for table in ALL_TABLES.values():
        for x in table.lines():
            possible = f"{x.low:g} to {x.high:.9g}" if x.unit else x.kind
            unit = x.unit + (", whole" if x.kind == "whole number" else "")
            meaning = x.meaning + (f"; *{x.default}*" if x.default else "")
            shown = f"{_head(table)}{x.key}".replace("|", "\\|")
            rows.append(
                f"| `{shown}` | {unit} | {possible} | {meaning.replace('|', chr(92) + '|')} | {x.used_by or '-'} |"
            )
    return rows
