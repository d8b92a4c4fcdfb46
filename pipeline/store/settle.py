"""Move rows of sessions out of the catalogue into files of the record, and merge such files.

What a small night writes stays in the catalogue until there are [keep] young_rows of it; the workers of a large one
write files themselves (pipeline/assess/into_files.py). Whole tables are written as files, entered and emptied in one
transaction: whoever is killed leaves either the rows or the file that has them. A file is never changed. Rows that were
measured again are named in record_removed, and leave when files are merged: MERGED of a tier and a shard make one of
the next, so that a row is written again some three times in its life. Merged files stay for readers of an older
fleet.duckdb, as parts do.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING

from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.file_ledger import file_ledger
from herdbook.pipeline.store.record_files import FOLDER, KEYS, TABLES, RecordFile, files_of, kept, vouch
from herdbook.pipeline.store.record_writing import let_go, write_selected
from herdbook.pipeline.store.statements import statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import HOUR, now_us

if TYPE_CHECKING:
    import duckdb

MERGED, LAST_TIER = 8, 3  # engineering choices: some thirty files at most hold the record of a shard


def settle(store: Store, now: int | None = None) -> int:
    """Under the store's lock, before publishing. Returns how many rows moved. now: microseconds UTC.

    Raises: StoreError when there is no room: everything is as it was; DamagedPartError for a file to be merged.
    """
    now = now_us() if now is None else now
    with transaction(store.catalogue) as con:
        young = {kind: con.execute(f"SELECT count(*) FROM {kind}").fetchall()[0][0] for kind in TABLES}
        moved = sum(young.values()) if sum(young.values()) > store.settings.young_rows else 0
        for kind, rows in young.items() if moved else ():
            if rows:
                write_selected(con, store.folder, kind, f"SELECT * FROM {kind}", tier=0)
                con.execute(f"DELETE FROM {kind}")
        file_ledger(con, store, now)
        due = _due(files_of(con))
    while due:
        with transaction(store.catalogue) as con:
            _merge(con, store, due, now)
            due = _due(files_of(con))
    sweep_record(store, now)
    return moved


def _due(files: Sequence[RecordFile]) -> list[RecordFile]:
    """Files of one table, tier and shard that are to become one: of the lowest tier that has enough of them."""
    alike: dict[tuple[str, int, str], list[RecordFile]] = defaultdict(list)
    for f in files:
        if f.tier < LAST_TIER:
            alike[f.kind, f.tier, f.shard].append(f)
    return next((some for _, some in sorted(alike.items()) if len(some) >= MERGED), [])


def _merge(con: duckdb.DuckDBPyConnection, store: Store, some: list[RecordFile], now: int) -> None:
    vouch(store.folder, some, 0.0)
    rows = f"SELECT * EXCLUDE (record_file) FROM ({kept(con, store.folder, some)})"
    write_selected(con, store.folder, some[0].kind, rows, some[0].tier + 1, some[0].shard)
    let_go(con, some, now)
    con.execute(statement(__name__, "removals_done"), {"keyed": list(KEYS)})
    con.execute(statement(__name__, "ledger_removals_done"))


def sweep_record(store: Store, now: int) -> tuple[int, int]:
    """Delete merged files whose grace is over, and files that no catalogue row ever named; their number and bytes."""
    grace = round(store.settings.grace_hours * HOUR)
    with transaction(store.catalogue) as con:
        used = {f.file for f in files_of(con)}
        retired = dict(con.execute("SELECT file, epoch_us(retired_t) FROM record_retired").fetchall())
        deleted, size = 0, 0
        for path in sorted((store.folder / FOLDER).glob("*.parquet")):
            name, about = f"{FOLDER}/{path.name}", path.stat()
            if name not in used and retired.get(name, about.st_mtime_ns // 1000) + grace < now:
                path.unlink(missing_ok=True)
                deleted, size = deleted + 1, size + about.st_size
                con.execute("DELETE FROM record_retired WHERE file = ?", [name])
    return deleted, size
