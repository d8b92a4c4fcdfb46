"""The list of vehicles that herdbook.toml names (vehicles = "vehicles.csv"): batch, built, in service, zone, customer's
own name, for the whole fleet in one file, as a CSV or TOML.

    vehicle,batch,built,in_service,zone,customer_ref        [ZB-0101]
    ZB-0101,A7,2026-01-12,2026-02-01,Europe/Vienna,Van 3    batch = "A7"

Empty cells say nothing. The list wins over sidecars of logs. One that cannot be read, or holds a mistake, changes
nothing: the night tells it, and what was read last stays in force.
"""

from __future__ import annotations

import csv
import tomllib
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import polars as pl

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.identity import checked_name
from herdbook.pipeline.intake.ledger import touch
from herdbook.pipeline.store.connection import insert, transaction
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.problems import nearest

if TYPE_CHECKING:
    import duckdb

FACTS = ("batch", "built", "in_service", "zone", "customer_ref")
DAYS = ("built", "in_service")
BEHIND = ""  # stands for the columns behind the last that has a name
Facts = dict[tuple[str, str], str]  # (vehicle, fact) -> value


def take_master_data(store: Store) -> list[str]:
    """Bring the table master_data up to the list, and the vehicles whose facts changed; what the night tells of it."""
    if not store.settings.vehicles:
        return []
    path = store.folder / store.settings.vehicles
    try:
        facts = read_master_data(path)
    except InputError as error:
        return [f"the list of vehicles was not read, what it said before stays: {error}".rstrip(".")]
    with transaction(store.catalogue) as con:
        changed = _replace(con, facts)
    some = "1 vehicle has" if len(changed) == 1 else f"{len(changed)} vehicles have"
    return [f"by the list {path.name}, {some} other facts now"] if changed else []


def _replace(con: duckdb.DuckDBPyConnection, facts: Facts) -> list[str]:
    """The vehicles whose facts changed."""
    rows = con.execute("SELECT vehicle, fact, value FROM master_data").fetchall()
    before: Facts = {(vehicle, fact): value for vehicle, fact, value in rows}
    changed = sorted({vehicle for vehicle, _ in dict(before.items() ^ facts.items())})
    if changed:
        con.execute("DELETE FROM master_data")
        news = [(vehicle, fact, value) for (vehicle, fact), value in sorted(facts.items())]
        columns = {"vehicle": pl.String, "fact": pl.String, "value": pl.String}
        insert(con, "master_data", pl.DataFrame(news, schema=columns, orient="row"))
        known = {v for (v,) in con.execute("SELECT vehicle FROM vehicles").fetchall()}
        touch(con, [vehicle for vehicle in changed if vehicle in known])
    return changed


def read_master_data(path: Path) -> Facts:
    """Facts by vehicle. Raises: InputError naming every line that is wrong."""
    try:
        text = path.read_text("utf-8-sig")
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", path, "Check vehicles = ... in herdbook.toml") from None
    except UnicodeDecodeError:
        raise InputError("is not text in UTF-8", path, "Save it as UTF-8") from None
    facts: Facts = {}
    wrong: list[str] = []
    for where, vehicle, given in _toml(text, path) if path.suffix.lower() == ".toml" else _csv(text, path):
        try:
            name = checked_name(vehicle, "vehicle")
            if any(known == name for known, _ in facts):
                raise ValueError(f"{name} stands twice")
            facts |= {(name, fact): _value(fact, value) for fact, value in given.items() if value not in ("", None)}
        except ValueError as error:
            wrong.append(f"{where}: {error}")
    if wrong:
        more = f"; and {len(wrong) - 5} more" if len(wrong) > 5 else ""
        raise InputError("; ".join(wrong[:5]) + more, path, "Correct the list")
    return facts


def _csv(text: str, path: Path) -> list[tuple[str, str, dict[str, object]]]:
    try:
        rows = list(csv.reader(text.splitlines()))
    except csv.Error as error:
        raise InputError(f"is no CSV: {error}", path, "Correct the list") from None
    names = [name.strip() for name in rows[0]] if rows else []
    if "vehicle" not in names:
        raise InputError("line 1 names no column vehicle", path, f"Columns: vehicle, {', '.join(FACTS)}")
    _known(names, path)
    out = []
    for number, row in enumerate(rows[1:], start=2):
        if row:
            cells = [cell.strip() for cell in row]
            given: dict[str, object] = dict(zip(names, cells, strict=False))
            given[BEHIND] = ", ".join(filter(None, cells[len(names) :]))
            out.append((f"line {number}", str(given.pop("vehicle", "")), given))
    return out


def _toml(text: str, path: Path) -> list[tuple[str, str, dict[str, object]]]:
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"is not TOML: {error}", path, "Correct that line") from None
    out = []
    for vehicle, given in table.items():
        if not isinstance(given, dict):
            raise InputError(f"{vehicle} is no table", path, "Write [ZB-0101] and its facts below")
        _known(given, path)
        out.append((f"[{vehicle}]", vehicle, given))
    return out


def _known(names: object, path: Path) -> None:
    for name in names if isinstance(names, list | dict) else ():
        if name not in ("vehicle", *FACTS):
            raise InputError(f"{name!r} is not known", path, nearest(str(name), ("vehicle", *FACTS)))


def _value(fact: str, value: object) -> str:
    if fact in DAYS:
        try:
            day = value if isinstance(value, date) else date.fromisoformat(str(value))
        except ValueError:
            raise ValueError(f"{fact} = {value!r} is no day such as 2026-03-01") from None
        return (day.date() if isinstance(day, datetime) else day).isoformat()
    if fact == BEHIND:
        raise ValueError(f"{value!r} stands behind the last column; a value that holds a comma needs quotation marks")
    text = checked_name(str(value), fact)
    if fact == "zone":
        try:
            ZoneInfo(text)
        except (KeyError, ValueError, OSError):
            raise ValueError(f"zone {text!r} is no time zone such as Europe/Vienna") from None
    return text
