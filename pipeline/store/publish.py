"""Publish: a copy of the catalogue with views over the lake, renamed into place as fleet.duckdb.

Who has the old fleet.duckdb open keeps the old one, undisturbed; who opens it after the rename sees the new one. The
file is read-only, and no shell that is left open can hold up the night.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from herdbook.pipeline.errors import DamagedPartError, StoreError
from herdbook.pipeline.lake.layout import Layout, expression
from herdbook.pipeline.lake.place import Lake
from herdbook.pipeline.operating_system import set_rights, sync_file
from herdbook.pipeline.store.connection import THREADS, connect, insert, raise_if_full
from herdbook.pipeline.store.part_lists import (
    Sample,
    add_files,
    asked,
    look_at,
    named,
    samples,
    tell_parts,
    text,
    variable_of,
)
from herdbook.pipeline.store.published_copy import copy_catalogue
from herdbook.pipeline.store.record_files import YOUNG, files_of, whole
from herdbook.pipeline.store.statements import has, statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.profile import Profile

if TYPE_CHECKING:
    import duckdb


Named = tuple[str, str, bool]  # a part, its hash, and whether a log in it overlaps another
DUCKDBS_OWN = {"main", "temp", "system", "information_schema", "pg_catalog"}


def publish(store: Store) -> Path:
    """Make the catalogue's present state what people and reports see. Raises: StoreError when there is no room."""
    import duckdb

    temporary = store.folder / f".fleet.{os.getpid()}.tmp"
    try:
        copy_catalogue(store, temporary)
        _add_views(temporary, store)
        set_rights(temporary, 0o440)
        sync_file(temporary)
        temporary.replace(store.fleet)
    except duckdb.Error as error:
        if trouble := store.lake.trouble():
            raise trouble from None
        raise_if_full(store.folder, error)
        raise
    except OSError as error:
        do = "Make room and run again; the old fleet.duckdb is still in place"
        raise StoreError(f"cannot be published ({error.strerror or error})", store.folder, do) from None
    finally:
        temporary.unlink(missing_ok=True)
        temporary.with_name(temporary.name + ".wal").unlink(missing_ok=True)
    return store.fleet


def published_hash(store: Store, part: str) -> str:
    """SHA-256 of a part as it was last published; "" where it was not, or nothing can be read."""
    import duckdb

    try:
        with duckdb.connect(str(store.fleet), read_only=True) as con:
            found = con.execute("SELECT hash FROM parts WHERE part = ? LIMIT 1", [part]).fetchone()
    except duckdb.Error:
        return ""
    return str(found[0]) if found else ""


def _add_views(path: Path, store: Store) -> None:
    con = connect(path)
    try:
        con.execute(f"SET threads = {THREADS}")
        con.execute("SET TimeZone = 'UTC'")
        con.execute("SET parquet_metadata_cache = true")  # every view looks into the same part
        store.lake.serve(con)
        con.begin()
        _record_views(con, store)
        roles, many = [], samples(con)
        for profile in store.profiles():
            roles += _role_rows(profile)
            if profile.name in many and _views_of_many(con, profile, store.lake, many[profile.name]):
                continue
            found = con.execute(statement(__name__, "parts_by_network"), {"profile": profile.name}).fetchall()
            if found:
                _views(con, profile, store.lake, [parts for (parts,) in found])
        con.execute(statement(__name__, "roles"))
        if roles:
            insert(con, "roles", pl.DataFrame(roles))
        con.execute(statement(__name__, "serial_conflicts"))
        con.execute(statement(__name__, "herd_views"))
        con.execute(statement(__name__, "outcome_views"))
        con.execute(statement(__name__, "figures_since_birth"))
        con.commit()
        con.execute("CHECKPOINT")
    finally:
        con.close()


def _record_views(con: duckdb.DuckDBPyConnection, store: Store) -> None:
    """Where rows of a table lie in files, a view has the table's name and reads both."""
    for kind in sorted({f.kind for f in files_of(con)}):
        if not has(con, kind + YOUNG):
            con.execute(f"ALTER TABLE {kind} RENAME TO {kind}{YOUNG}")
        con.execute(f"CREATE VIEW {kind} AS {whole(con, store.folder, kind, kind + YOUNG)}")


def sanitized(name: str) -> str:
    """A name fit for SQL without quoting: letters, digits, underscores."""
    return re.sub(r"\W", "_", name, flags=re.ASCII).lower() or "_"


def schema_name(profile: str) -> str:
    """The schema that holds a profile's views; never one that DuckDB itself uses."""
    name = sanitized(profile)
    return f"profile_{name}" if name in DUCKDBS_OWN else name


def vouch_for(store: Store, con: duckdb.DuckDBPyConnection, sql: str) -> None:
    """Compare the parts that a statement may read with their hashes, as far as that is due.

    con: of the published catalogue. Raises: DamagedPartError.
    """
    said = sql.lower()
    any_of_them = "parquet" in said or "query" in said  # functions that read a file, or a view by a computed name
    known = con.execute("SELECT DISTINCT profile FROM logs ORDER BY profile").fetchall()  # also of one refused by now
    wanted = [profile for (profile,) in known if any_of_them or schema_name(profile) in said]
    if wanted:
        tell_parts(con, [schema_name(profile) for profile in wanted])
        rows = con.execute(statement(__name__, "parts_of_profiles"), {"profiles": wanted}).fetchall()
        store.lake.vouch(rows, store.settings.check_days)


def _view_names(messages: set[str]) -> dict[str, str]:
    """View by message; two messages whose names become the same by sanitizing are told apart by a number."""
    names: dict[str, str] = {}
    for message in sorted(messages):
        name = sanitized(message)
        while name in names.values():
            name += "_"
        names[message] = name
    return names


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _views(con: duckdb.DuckDBPyConnection, profile: Profile, lake: Lake, groups: Sequence[Sequence[Named]]) -> None:
    """One view a message: vehicle, t, channel, source, the signals in the DBC's units, log.

    groups: parts and hashes by network; all of one have one layout, so that DuckDB looks into one file until asked. A
    frame that lies in several logs is given once: where logs overlap, the first log (by its hash) that has a row of
    that time speaks; parts of logs that overlap nothing are read as they are.
    """
    name = schema_name(profile.name)
    schema = _quoted(name)
    con.execute(f"CREATE SCHEMA IF NOT EXISTS {schema}")
    layouts: dict[bool, dict[str, Layout]] = {False: {}, True: {}}
    for number, parts in enumerate(groups):
        sound, layout = _sound(lake, parts)
        for shared, by_name in layouts.items():
            if some := [lake.address(part) for part, _, is_shared in sound if is_shared == shared]:
                rows = f"{schema}._parts_{number}{'_shared' * shared}"
                variable = f"{variable_of(name, number)}{'_shared' * shared}"
                look_at(con, variable, some[0])
                con.execute(f"CREATE VIEW {rows} AS SELECT * FROM read_parquet({named(variable, some)})")
                by_name[rows] = layout
    _message_views(con, schema, layouts)


def _views_of_many(con: duckdb.DuckDBPyConnection, profile: Profile, lake: Lake, some: Sequence[Sample]) -> bool:
    """The same where views name no parts (part_lists.py); any two logs may overlap. False, and nothing done, where no
    sample of a network can be read."""
    name = schema_name(profile.name)
    layouts: dict[str, Layout] = {}
    opened = [_sound(lake, [(part, digest, True) for part, digest in parts]) for _, parts in some]
    if not all(sound for sound, _ in opened):
        return False
    con.execute(f"CREATE SCHEMA IF NOT EXISTS {_quoted(name)}")
    for number, (sound, layout) in enumerate(opened):
        variable, rows = variable_of(name, number), f"{_quoted(name)}._parts_{number}"
        look_at(con, variable, lake.address(sound[0][0]))
        con.execute(f"CREATE VIEW {rows} AS SELECT * FROM read_parquet({asked(variable, name)})")
        layouts[rows] = layout
    add_files(con, name, profile.name, lake, [network for network, _ in some])
    _message_views(con, _quoted(name), {False: {}, True: layouts})
    return True


def _message_views(con: duckdb.DuckDBPyConnection, schema: str, layouts: Mapping[bool, Mapping[str, Layout]]) -> None:
    """layouts: of the views of parts, by whether logs in them may overlap."""
    for message, view in _view_names(
        {m for by in layouts.values() for layout in by.values() for m in layout.messages}
    ).items():
        alone, shared_rows = (_all_rows(message, by_name) for by_name in layouts.values())
        once = f"SELECT * FROM ({shared_rows}) QUALIFY log = min(log) OVER (PARTITION BY vehicle, t, channel, source)"
        told = " UNION ALL BY NAME ".join([*([alone] if alone else []), *([once] if shared_rows else [])])
        con.execute(f"CREATE VIEW {schema}.{_quoted(view)} AS SELECT * EXCLUDE (log), log FROM ({told})")


def _all_rows(message: str, layouts: Mapping[str, Layout]) -> str:
    """layouts: by the view of the parts that have it. "" where none knows the message."""
    return " UNION ALL BY NAME ".join(
        _message_rows(message, rows, layout) for rows, layout in layouts.items() if message in layout.messages
    )


def _message_rows(message: str, rows: str, layout: Layout) -> str:
    taken = {"vehicle", "t", "channel", "source", "log"}  # DuckDB tells no names apart by case
    signals = ""
    for slot in layout.messages[message]:
        name = slot.signal
        while name.lower() in taken:
            name += "_"
        taken.add(name.lower())
        signals += f", {expression(slot, 'r')} AS {_quoted(name)}"
    channel = "r.channel" if layout.channel else "CAST(NULL AS VARCHAR) AS channel"
    source = "r.source" if layout.source else "CAST(NULL AS UTINYINT) AS source"
    return (
        f"SELECT l.vehicle, r.t, {channel}, {source}{signals}, r.log "
        f"FROM {rows} r JOIN main.logs l USING (log) WHERE r.message = {text(message)}"
    )


def _sound(lake: Lake, parts: Sequence[Named]) -> tuple[Sequence[Named], Layout]:
    """The parts, without the first ones that cannot be opened, and their layout."""
    for i, (part, digest, _) in enumerate(parts):
        try:
            return parts[i:], lake.open(part, digest).layout
        except DamagedPartError:
            continue
    return [], Layout({})


def _role_rows(profile: Profile) -> list[dict[str, object]]:
    from herdbook.pipeline.vehicle.packs import PACK_ROLES, all_of, marked
    from herdbook.pipeline.vehicle.roles import ROLES

    return [
        {
            "profile": profile.name,
            "role": marked(p.number, m.role),
            "item": str(m.item),
            "view": f"{schema_name(profile.name)}.{sanitized(m.message)}",
            "signal": m.formula.text if m.formula else m.signal,
            "scale": m.scale,
            "offset": m.offset,
            "unit": ROLES[m.role].unit,
        }
        for p in all_of(profile)
        for m in p.roles
        if p.number == 1 or m.role in PACK_ROLES
    ]
