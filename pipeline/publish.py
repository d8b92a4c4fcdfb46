"""Publish: a copy of the catalogue with views over the lake, renamed into place as fleet.duckdb.

Who has the old fleet.duckdb open keeps the old one, undisturbed; who opens it after the rename sees the new one. The
file is read-only, and no shell that is left open can hold up the night.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from pipeline.catalogue import connect, insert, query, raise_if_full
from pipeline.errors import DamagedPartError, StoreError
from pipeline.part import Part
from pipeline.profile import Profile
from pipeline.reading import network_columns
from pipeline.store import Store

if TYPE_CHECKING:
    import duckdb


DUCKDBS_OWN = {"main", "temp", "system", "information_schema", "pg_catalog"}


def publish(store: Store) -> Path:
    """Make the catalogue's present state what people and reports see. Raises: StoreError when there is no room."""
    import duckdb

    temporary = store.folder / f".fleet.{os.getpid()}.tmp"
    try:
        con = connect(store.catalogue)
        try:
            con.execute("CHECKPOINT")
        finally:
            con.close()
        shutil.copyfile(store.catalogue, temporary)
        _add_views(temporary, store)
        temporary.chmod(0o440)
        with temporary.open("rb") as file:
            os.fsync(file.fileno())
        temporary.replace(store.fleet)
    except duckdb.Error as error:
        raise_if_full(store.folder, error)
        raise
    except OSError as error:
        do = "Make room and run again; the old fleet.duckdb is still in place"
        raise StoreError(f"cannot be published ({error.strerror or error})", store.folder, do) from None
    finally:
        temporary.unlink(missing_ok=True)
        temporary.with_name(temporary.name + ".wal").unlink(missing_ok=True)
    return store.fleet


def _add_views(path: Path, store: Store) -> None:
    con = connect(path)
    try:
        con.execute("SET TimeZone = 'UTC'")
        con.begin()
        roles = []
        for profile in store.profiles():
            roles += _role_rows(profile)
            found = con.execute(
                """SELECT list(DISTINCT p.part ORDER BY p.part) FROM parts p JOIN logs l USING (log)
                   WHERE l.profile = ? GROUP BY l.network_hash ORDER BY l.network_hash""",
                [profile.name],
            ).fetchall()
            if found:
                _views(con, profile, store.lake, [parts for (parts,) in found])
        con.execute("""CREATE TABLE roles (profile VARCHAR, role VARCHAR, item VARCHAR, "view" VARCHAR, signal VARCHAR,
                       scale DOUBLE, "offset" DOUBLE, unit VARCHAR)""")
        if roles:
            insert(con, "roles", pl.DataFrame(roles))
        con.execute(f"CREATE VIEW serial_conflicts AS {query('serial_conflicts')}")
        con.commit()
        con.execute("CHECKPOINT")
    finally:
        con.close()


def sanitized(name: str) -> str:
    """A name fit for SQL without quoting: letters, digits, underscores."""
    return re.sub(r"\W", "_", name, flags=re.ASCII).lower() or "_"


def schema_name(profile: str) -> str:
    """The schema that holds a profile's views; never one that DuckDB itself uses."""
    name = sanitized(profile)
    return f"profile_{name}" if name in DUCKDBS_OWN else name


def _view_names(columns: set[str]) -> dict[str, str]:
    """View by message; two messages whose names become the same by sanitizing are told apart by a number."""
    names: dict[str, str] = {}
    for message in sorted({c.rpartition(".")[0] for c in columns}):
        name = sanitized(message)
        while name in names.values():
            name += "_"
        names[message] = name
    return names


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _views(con: duckdb.DuckDBPyConnection, profile: Profile, lake: Path, groups: Sequence[Sequence[str]]) -> None:
    """One view a message: vehicle, t, channel, source, then the signals in the DBC's units.

    groups: parts by network; all parts of one have the same columns, so that DuckDB looks into one file until asked.
    """
    schema = _quoted(schema_name(profile.name))
    con.execute(f"CREATE SCHEMA IF NOT EXISTS {schema}")
    bases: list[str] = []
    columns: set[str] = set()
    for number, parts in enumerate(groups):
        sound, alike = _sound(lake, parts, profile)
        if not sound:
            continue
        files = ", ".join(_text(str(lake / p)) for p in sound)
        source = f"read_parquet([{files}], union_by_name = {not alike})"
        con.execute(f"CREATE VIEW {schema}._parts_{number} AS SELECT * FROM {source}")
        bases.append(f"SELECT * FROM {schema}._parts_{number}")
        columns |= set(Part.open(lake / sound[0]).columns)
        if not alike:
            columns |= {c for p in sound for c in Part.open(lake / p).columns}
    if not bases:
        return
    con.execute(f"CREATE VIEW {schema}._parts AS {' UNION ALL BY NAME '.join(bases)}")
    for message, view in _view_names(columns).items():
        mine = [c for c in sorted(columns) if c.rpartition(".")[0] == message]
        signals = ", ".join(f"r.{_quoted(c)} AS {_quoted(c.rpartition('.')[2])}" for c in mine)
        con.execute(
            f"CREATE VIEW {schema}.{_quoted(view)} AS "
            f"SELECT l.vehicle, r.t, r.channel, r.source, {signals}, r.log "
            f"FROM {schema}._parts r JOIN main.logs l USING (log) WHERE r.message = {_text(message)}"
        )


def _sound(lake: Path, parts: Sequence[str], profile: Profile) -> tuple[list[str], bool]:
    """The parts, without the first ones that cannot be opened, and whether all have the same columns."""
    rest = list(parts)
    while rest:
        try:
            first = Part.open(lake / rest[0])
        except DamagedPartError:
            rest = rest[1:]
            continue
        return rest, set(network_columns(profile.network())) <= set(first.columns)
    return [], True


def _role_rows(profile: Profile) -> list[dict[str, object]]:
    from pipeline.quantities import ROLES

    return [{"profile": profile.name, "role": m.role, "item": str(m.item),
             "view": f"{schema_name(profile.name)}.{sanitized(m.message)}", "signal": m.signal, "scale": m.scale,
             "offset": m.offset, "unit": ROLES[m.role].unit} for m in profile.roles]  # fmt: skip
