"""The same stretch of the same signals as a command, as SQL and in Python; each runs as it stands."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING

from herdbook.pipeline.desk.lines import Named
from herdbook.pipeline.desk.role_sql import HOLD_US, raw_statement, role_statement, view_of
from herdbook.pipeline.desk.tables import Copies, literal
from herdbook.pipeline.herd.one_select import quoted
from herdbook.pipeline.lake.read import log_refs
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.times import from_micros
from herdbook.pipeline.vehicle.roles import ROLES

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

VIEWS = "SELECT schema_name, view_name FROM duckdb_views() WHERE NOT internal"
NO_SIGNAL = "SELECT 'no signal' AS said"


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
    """One row a sample that has a value: t, name, value; in the roles' units, of raw signals in the DBC's."""
    parts = [
        f"SELECT t, {literal(name)} AS name, value FROM (\n  {one}\n) WHERE NOT isnan(value)"
        for name, one in statements(store, vehicle, names, start, end)
    ]
    return "\nUNION ALL\n".join(parts) + "\nORDER BY name, t" if parts else NO_SIGNAL


def statements(store: Store, vehicle: str, names: Sequence[Named], start: int, end: int) -> list[tuple[str, str]]:
    """Each signal's name with its statement (role_sql.py); of a role without an item all items. What was never recorded
    has no view and is left out."""
    with store.read() as con:
        found = ask(con, __name__, "record", vehicle=vehicle)
        refs = log_refs(con, vehicle, start, end)
        views = {f"{quoted(a)}.{quoted(b)}" for a, b in con.execute(VIEWS).fetchall()}
    name_of = str(found[0]["profile"]) if found else ""
    profile = next((p for p in reversed(store.profiles()) if p.name == name_of), None)
    if profile is None:
        return []
    signals = {f"{m.name}.{s.name}" for m in profile.network().messages for s in m.signals}
    out = []
    for n in names:
        if n.role not in ROLES:
            if n.role in signals and view_of(profile.name, n.role.partition(".")[0]) in views:
                out.append((n.role, raw_statement(profile.name, n.role, vehicle, refs, start, end)))
            continue
        for m in profile.roles:
            recorded = all(view_of(profile.name, message) in views for message, _ in m.reads)
            if recorded and m.role == n.role and n.item in ("", str(m.item)):
                name = m.role if m.item == "" else f"{m.role}[{m.item}]"
                out.append((name, role_statement(m, profile.name, vehicle, refs, start, end)))
    return out


def pairs_sql(x: tuple[str, str], y: tuple[str, str]) -> str:
    """Pairs of two signals, each a name with its statement: at each sample of x the newest of y, 2 s old at most."""
    names = [quoted(name) for name, _ in (x, y)]
    return (
        f"SELECT x.t, x.value AS {names[0]}, y.value AS {names[1]}\n"
        f"FROM (\n  {x[1]}\n) x\nASOF JOIN (\n  {y[1]}\n) y ON x.t >= y.t\n"
        f"WHERE x.t - y.t <= INTERVAL {HOLD_US} MICROSECONDS AND NOT isnan(x.value) AND NOT isnan(y.value)\n"
        "ORDER BY x.t"
    )
