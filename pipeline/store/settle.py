"""Move rows of sessions out of the catalogue into files of the record, and merge such files.

What a small night writes stays in the catalogue until there are [keep] young_rows of it; the workers of a large one
write files themselves (pipeline/assess/into_files.py). Whole tables are written as files, entered and emptied in one
transaction: whoever is killed leaves either the rows or the file that has them. A file is never changed. Rows that were
measured again are named in record_removed, and leave when files are merged: MERGED of a tier and a shard make one of
the next, so that a row is written again some three times in its life. Merged files stay for readers of an older
fleet.duckdb, as parts do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.lake.folder import sql_path
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.record_files import FOLDER, TABLES, RecordFile, files_of, kept, vouch
from herdbook.pipeline.store.record_writing import draft, enter_files, stand
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
                _write(con, store, kind, f"SELECT * FROM {kind}", tier=0)
                con.execute(f"DELETE FROM {kind}")
    for kind in TABLES:
        while _merge(store, kind, now):
            pass
    sweep_record(store, now)
    return moved


def _merge(store: Store, kind: str, now: int) -> bool:
    """Files of the lowest tier that has enough of them in one shard become one."""
    with transaction(store.catalogue) as con:
        files = [f for f in files_of(con) if f.kind == kind]
        for tier, shard in sorted({(f.tier, f.shard) for f in files if f.tier < LAST_TIER}):
            if len(some := [f for f in files if (f.tier, f.shard) == (tier, shard)]) >= MERGED:
                vouch(store.folder, some, 0.0)
                rows = kept(con, store.folder, some)
                _write(con, store, kind, f"SELECT * EXCLUDE (record_file) FROM ({rows})", tier + 1, shard)
                let_go(con, some, now)
                con.execute(statement(__name__, "removals_done"))
                return True
    return False


def let_go(con: duckdb.DuckDBPyConnection, files: list[RecordFile], now: int) -> None:
    """These files are not the record's any more; they stay until the grace of older readers is over."""
    con.execute("DELETE FROM record_files WHERE id IN (SELECT unnest(?))", [[f.id for f in files]])
    said = "INSERT OR REPLACE INTO record_retired SELECT unnest(?), make_timestamp(?)"
    con.execute(said, [[f.file for f in files], now])


def _write(con: duckdb.DuckDBPyConnection, store: Store, kind: str, rows: str, tier: int, shard: str = "") -> None:
    """rows: a SELECT of at least no rows. Raises: StoreError; duckdb.Error, for transaction() to put into words."""
    number = con.execute("SELECT nextval('record_ids')").fetchall()[0][0]
    time = TABLES[kind]
    with draft(store.folder, number) as path:
        quoted = str(path).replace("'", "''")
        con.execute(
            f"COPY (SELECT *, {number}::BIGINT AS record_file FROM ({rows}) ORDER BY vehicle, {time}) "
            f"TO '{quoted}' (FORMAT parquet, COMPRESSION zstd)"
        )
        count, first, last = con.execute(
            f"SELECT count(*), epoch_us(min({time})), epoch_us(max({time})) FROM read_parquet(?)", [sql_path(path)]
        ).fetchall()[0]
        if count:
            written = stand(
                store.folder,
                path,
                kind=kind,
                number=number,
                rows=count,
                times=(first, last),
                tier=tier,
                shard=shard,
            )
            enter_files(con, store.folder, [written])


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
