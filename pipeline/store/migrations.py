"""Versions of the catalogue: the steps of its schema (schema/*.sql), and bringing an older one to the newest."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.operating_system import set_rights, sync_file
from herdbook.pipeline.store.connection import transaction, visit
from herdbook.pipeline.store.statements import has

if TYPE_CHECKING:
    import duckdb

SCHEMA = Path(__file__).parent / "schema"


def steps() -> list[tuple[int, str, Path]]:
    """The schema's steps in order: (version, name, file)."""
    return [(int(p.name[:4]), p.stem, p) for p in sorted(SCHEMA.glob("[0-9][0-9][0-9][0-9]_*.sql"))]


def version(con: duckdb.DuckDBPyConnection) -> int:
    """The schema version of an open catalogue; 0 for an empty one."""
    if not has(con, "versions"):
        return 0
    row = con.execute("SELECT coalesce(max(version), 0) FROM versions").fetchone()
    return int(row[0]) if row else 0


def migrate(path: Path) -> None:
    """Bring a catalogue to the newest version, keeping a copy of an older one beside it. Raises: StoreError."""
    newest = steps()[-1][0]
    known, missing = 0, steps()
    if path.exists():
        with visit(path, read_only=not path.with_name(path.name + ".wal").exists()) as con:
            known = version(con)
            if known:  # by number, not from the newest on: steps may have been written side by side
                done = {number for (number,) in con.execute("SELECT version FROM versions").fetchall()}
                missing = [step for step in steps() if step[0] not in done]
    if known <= newest and not missing:
        return
    if known > newest:
        raise StoreError(
            f"the catalogue is of version {known}, this Herdbook knows up to {newest}",
            path,
            "Use the newer Herdbook that wrote it",
        )
    if known:
        keep = path.with_name(f"catalogue.before-{missing[0][0]:04d}.duckdb")
        copy_whole(path, keep)
    with transaction(path) as con:
        con.execute("CREATE TABLE IF NOT EXISTS versions (version INTEGER PRIMARY KEY, name VARCHAR NOT NULL)")
        for number, name, file in missing:
            con.execute(file.read_text("utf-8"))
            con.execute("INSERT INTO versions VALUES (?, ?)", [number, name])
    set_rights(path, 0o640)


def copy_whole(source: Path, target: Path) -> None:
    """Copy a file so that `target` is either the old one or the whole new one."""
    temporary = target.with_name(f".{target.name}.{os.getpid()}.tmp")
    try:
        shutil.copyfile(source, temporary)
        sync_file(temporary)
        temporary.replace(target)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise StoreError(f"cannot be copied to ({error.strerror})", target, "Make room or check the rights") from None
