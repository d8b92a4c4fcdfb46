"""The same stretch of the same signals as a command, as SQL and in Python; each runs as it stands."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING

from herdbook.pipeline.desk.lines import Named
from herdbook.pipeline.desk.tables import Copies, literal
from herdbook.pipeline.store.publish import sanitized, schema_name
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.times import from_micros
from herdbook.pipeline.vehicle.roles import ROLES

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store


def copies_of(store: Store, vehicle: str, names: Sequence[Named], start: int, end: int) -> Copies:
    """start, end: microseconds UTC, end excluded."""
    texts = [n.text for n in names]
    since, until = (from_micros(t).isoformat(timespec="microseconds") for t in (start, end))
    where = shlex.quote(str(store.folder))
    command = (
        f"herdbook wires {shlex.quote(vehicle)} {' '.join(map(shlex.quote, texts))} --since {since} --until {until}"
    )
    python = (
        f"import herdbook\n\nfleet = herdbook.open({str(store.folder)!r})\n"
        f"table = fleet.signals({vehicle!r}, {texts!r}, since={since!r}, until={until!r})\nprint(table)\n"
    )
    return Copies(f"{command} --store {where} --out window.parquet", _sql(store, vehicle, names, start, end), python)


def _sql(store: Store, vehicle: str, names: Sequence[Named], start: int, end: int) -> str:
    """One row a sample: t, name, value; frames of the views in the roles' units."""
    with store.read() as con:
        found = ask(con, __name__, "record", vehicle=vehicle)
        profile = str(found[0]["profile"]) if found else ""
        roles = [n.role for n in names if n.role in ROLES]
        rows = ask(con, __name__, "where_roles", profile=profile, roles=roles) if roles else []
    picked = [r for n in names for r in rows if r["role"] == n.role and n.item in ("", str(r["item"]))]
    parts = [_of_role(r, vehicle, start, end) for r in picked]
    for n in names:
        if n.role not in ROLES:
            message, _, signal = n.role.partition(".")
            view = f"{_quoted(schema_name(profile))}.{_quoted(sanitized(message))}"
            parts.append(_one(n.role, view, _quoted(signal), vehicle, start, end))
    return "\nUNION ALL\n".join(parts) + "\nORDER BY name, t" if parts else "SELECT 'no signal' AS said"


def _of_role(row: Row, vehicle: str, start: int, end: int) -> str:
    name = row["role"] + (f"[{row['item']}]" if row["item"] else "")
    view = ".".join(_quoted(part) for part in str(row["view"]).split(".", 1))
    signal = str(row["signal"])
    bare = _quoted(signal) if "." not in signal and signal.replace("_", "").isalnum() else "NULL"
    value = bare if (row["scale"], row["offset"]) == (1.0, 0.0) else f"{bare} * {row['scale']!r} + {row['offset']!r}"
    return _one(name, view, value, vehicle, start, end)


def _one(name: str, view: str, value: str, vehicle: str, start: int, end: int) -> str:
    a, b = literal(from_micros(start)), literal(from_micros(end))
    return (
        f"SELECT t, {literal(name)} AS name, CAST({value} AS DOUBLE) AS value FROM {view}\n"
        f"WHERE vehicle = {literal(vehicle)} AND t >= {a} AND t < {b} AND {value} IS NOT NULL"
    )


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
