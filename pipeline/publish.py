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

from pipeline.catalogue import connect, insert, query
from pipeline.errors import StoreError
from pipeline.profile import Profile
from pipeline.store import Store

if TYPE_CHECKING:
    import duckdb


def publish(store: Store) -> Path:
    """Make the catalogue's present state what people and reports see. Raises: StoreError when there is no room."""
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
                "SELECT DISTINCT p.part FROM parts p JOIN logs l USING (log) WHERE l.profile = ? ORDER BY 1",
                [profile.name]).fetchall()  # fmt: skip
            if found:
                _views(con, profile, store.lake, [part for (part,) in found])
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


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _views(con: duckdb.DuckDBPyConnection, profile: Profile, lake: Path, parts: Sequence[str]) -> None:
    """One view a message: vehicle, t, channel, source, then the signals in the DBC's units."""
    from pipeline.part import Part

    schema = sanitized(profile.name)
    columns: set[str] = set()
    for part in parts:
        columns |= set(Part.open(lake / part).columns)
    con.execute(f"CREATE SCHEMA {_quoted(schema)}")
    files = ", ".join(_text(str(lake / p)) for p in parts)
    messages = sorted({c.rpartition(".")[0] for c in columns})
    for message in messages:
        mine = [c for c in sorted(columns) if c.rpartition(".")[0] == message]
        signals = ", ".join(f"r.{_quoted(c)} AS {_quoted(c.rpartition('.')[2])}" for c in mine)
        con.execute(
            f"CREATE VIEW {_quoted(schema)}.{_quoted(sanitized(message))} AS "
            f"SELECT l.vehicle, r.t, r.channel, r.source, {signals}, r.log "
            f"FROM read_parquet([{files}], union_by_name = true) r "
            f"JOIN main.logs l USING (log) WHERE r.message = {_text(message)}"
        )


def _role_rows(profile: Profile) -> list[dict[str, object]]:
    from pipeline.quantities import ROLES

    return [{"profile": profile.name, "role": m.role, "item": str(m.item),
             "view": f"{sanitized(profile.name)}.{sanitized(m.message)}", "signal": m.signal, "scale": m.scale,
             "offset": m.offset, "unit": ROLES[m.role].unit} for m in profile.roles]  # fmt: skip
