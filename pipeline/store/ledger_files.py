"""The ledger in files: its tables stay whole in the catalogue, and files of the record hold the same rows for readers.

Publishing used to copy every log that was ever taken in. Once there are many (file_ledger.py says when), each table
of the ledger is written as a file of the record, and from then on a second table, unfiled_NAME, gets what is entered
beside it; so the published copy is made of files and of what is unfiled, as views under the tables' names. Whoever
changes or deletes rows of the ledger says so here, in the same transaction. Nothing is read back from these files by
who writes: one that is lost is written again from the catalogue.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING

from herdbook.pipeline.store.connection import insert
from herdbook.pipeline.store.record_files import KEYS, SPANS, UNFILED

if TYPE_CHECKING:
    import duckdb
    import polars as pl

IDS_OF_FILES = "SELECT nextval('record_ids')"


def filed(con: duckdb.DuckDBPyConnection) -> set[str]:
    """Tables of the ledger that lie in files too."""
    rows = con.execute("SELECT table_name FROM duckdb_tables() WHERE starts_with(table_name, ?)", [UNFILED]).fetchall()
    return {name.removeprefix(UNFILED) for (name,) in rows}


def put(con: duckdb.DuckDBPyConnection, rows: dict[str, pl.DataFrame]) -> None:
    """Append rows to tables of the ledger, by column name."""
    too = filed(con)
    for table, some in rows.items():
        insert(con, table, some)
        if table in too:
            insert(con, UNFILED + table, some)


def dropped(con: duckdb.DuckDBPyConnection, keys: Collection[str], tables: Iterable[str]) -> None:
    """Rows of these keys are not in the tables any more. keys: logs, or paths of the table seen."""
    too = filed(con) if keys else set()
    wanted = [t for t in tables if t in too]
    if not wanted:
        return
    number = con.execute(IDS_OF_FILES).fetchall()[0][0]
    for table in wanted:
        con.execute(f"DELETE FROM {UNFILED}{table} WHERE {KEYS[table]} IN (SELECT unnest(?))", [list(keys)])
        con.execute("INSERT INTO ledger_removed SELECT ?, ?, unnest(?)", [number, table, list(keys)])


def changed(con: duckdb.DuckDBPyConnection, keys: Collection[str], tables: Iterable[str]) -> None:
    """Rows of these keys are others now."""
    too = filed(con) if keys else set()
    wanted = [t for t in tables if t in too]
    dropped(con, keys, wanted)
    for table in wanted:
        mine = f"SELECT * FROM {table} WHERE {KEYS[table]} IN (SELECT unnest(?))"
        con.execute(f"INSERT INTO {UNFILED}{table} BY NAME {mine}", [list(keys)])


def forget_seen(con: duckdb.DuckDBPyConnection, where: str, values: Collection[str]) -> None:
    """Files of the inbox are as if never looked at. where: the column, path or log, that has one of the values."""
    said = f"DELETE FROM seen WHERE {where} IN (SELECT unnest(?)) RETURNING path"
    dropped(con, [path for (path,) in con.execute(said, [list(values)]).fetchall()], ["seen"])


def unfiled_of_spans(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    """Tables beside those of sessions and stretches, with the column of their time."""
    return [(UNFILED + table, SPANS[table]) for table in sorted(filed(con) & SPANS.keys())]
