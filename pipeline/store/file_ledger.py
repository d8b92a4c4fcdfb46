"""Write what is new in the ledger into files of the record, before publishing; settle.py merges them afterwards.

Nothing leaves the catalogue: a file is a copy for readers. So a kill, or a file that is lost, costs nothing but
writing again, and the smallest fleets never have such files.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.store.ledger_files import filed
from herdbook.pipeline.store.record_files import KEYS, LEDGER, UNFILED, files_of
from herdbook.pipeline.store.record_writing import let_go, write_selected
from herdbook.pipeline.store.store import Store

if TYPE_CHECKING:
    import duckdb

# Of [keep] young_rows, so many rows of the ledger are copied by publishing at most; engineering choice: the default is
# some 9,000 logs, whose rows take a tenth of a second to copy.
SHARE = 4


def file_ledger(con: duckdb.DuckDBPyConnection, store: Store, now: int) -> None:
    """Inside the caller's transaction. now: microseconds UTC. Raises: StoreError when there is no room."""
    too, most = filed(con), store.settings.young_rows // SHARE
    for table in sorted(too):
        if con.execute("SELECT count(*) FROM ledger_removed WHERE kind = ?", [table]).fetchall()[0][0] > most:
            unfile(con, table, now)  # a month's parts were merged, say: one file of what holds is smaller
            too.remove(table)
    source = {table: UNFILED + table if table in too else table for table in LEDGER}
    rows = {table: con.execute(f"SELECT count(*) FROM {source[table]}").fetchall()[0][0] for table in LEDGER}
    if sum(rows.values()) <= most:
        return
    for table in LEDGER:
        if rows[table]:
            write_selected(con, store.folder, table, _selected(table, source[table]), tier=0)
        if table in too:
            con.execute(f"DELETE FROM {UNFILED}{table}")
        else:
            _begin_beside(con, table)


def _begin_beside(con: duckdb.DuckDBPyConnection, table: str) -> None:
    """An empty table with the same columns and defaults."""
    said = con.execute("SELECT sql FROM duckdb_tables() WHERE table_name = ?", [table]).fetchall()[0][0]
    con.execute(said.replace(f"CREATE TABLE {table}(", f"CREATE TABLE {UNFILED}{table}(", 1))


def unfile(con: duckdb.DuckDBPyConnection, table: str, now: int) -> None:
    """Its files are the record's no more; the next file is of all its rows. now: microseconds UTC."""
    let_go(con, [f for f in files_of(con) if f.kind == table], now)
    con.execute("DELETE FROM ledger_removed WHERE kind = ?", [table])
    con.execute(f"DROP TABLE IF EXISTS {UNFILED}{table}")


def _selected(table: str, source: str) -> str:
    """Rows with the vehicle of their log, so that one vehicle's lie together in the file."""
    if table not in KEYS or table == "logs":
        return f"SELECT * FROM {source}"
    return f"SELECT s.*, coalesce(l.vehicle, '') AS of_vehicle FROM {source} s LEFT JOIN logs l USING (log)"
