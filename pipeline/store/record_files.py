"""The record in files: what is read where rows of sessions were moved out of the catalogue.

Metrics, events and counts of messages are nearly all that a store keeps, and old ones hardly ever change. Once there
are many (settle.py says when), whole tables of them are written as Parquet files in the store's folder `record`, and
the catalogue keeps their names, hashes and what was measured again since. So publishing copies what is young, and the
tables `metrics`, `events` and `stretch_messages` read as before: as views over both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.lake.folder import sql_path
from herdbook.pipeline.lake.soundness import Soundness
from herdbook.pipeline.store.statements import ask, has

if TYPE_CHECKING:
    import duckdb

FOLDER = "record"
TABLES = {"metrics": "start_t", "events": "session_start_t", "stretch_messages": "stretch_t"}  # with their time
YOUNG = "_young"  # what a table is called in the published copy where a view has its name
# Tables of the ledger that lie in files too (ledger_files.py), with the column that says whose a row is, or their time.
KEYS = {
    "logs": "log",
    "parts": "log",
    "log_messages": "log",
    "log_serials": "log",
    "log_spans": "log",
    "log_facts": "log",
    "log_buses": "log",
    "log_faults": "log",
    "log_doubts": "log",
    "seen": "path",
}
SPANS = {"sessions": "start_t", "stretches": "start_t"}
LEDGER = (*KEYS, *SPANS)
# What a connection of ours calls such a table with the vehicle of each row: asked for one vehicle, it reads no other's.
WITH_VEHICLE = {"log_messages": "messages_of_logs", "log_facts": "facts_of_logs"}
UNFILED = "unfiled_"  # what the table of rows that lie in no file is called in the catalogue


@dataclass(frozen=True, slots=True)
class RecordFile:
    """file: relative to the store. tier: how often its rows were merged. shard: of its vehicles (shards.py)."""

    id: int
    kind: str
    file: str
    hash: str
    rows: int
    bytes: int
    tier: int
    shard: str = ""  # in a copy published by an older Herdbook


def files_of(con: duckdb.DuckDBPyConnection) -> list[RecordFile]:
    """Those that a catalogue, or a published copy of one, names; none in one of an older Herdbook."""
    if not has(con, "record_files"):
        return []
    return [RecordFile(**row) for row in ask(con, __name__, "record_files")]


def vouch(store: Path, files: Sequence[RecordFile], days: float) -> None:
    """They are what was written, as of so many days ago at the latest. Raises: DamagedPartError."""
    if files:
        _soundness(store).vouch([(f.file, f.hash) for f in files], days)


def note_written(store: Path, named: Sequence[tuple[str, str]]) -> None:
    """Files (with hashes) that were hashed as they were written are not read again for that at once."""
    _soundness(store).note(named)


@lru_cache(maxsize=16)
def _soundness(store: Path) -> Soundness:
    return Soundness(store, store, "a file of the record")


def show(con: duckdb.DuckDBPyConnection, store: Path, days: float) -> None:
    """From here on this connection reads the whole record. store: its folder; days: as in vouch().

    Raises: DamagedPartError.
    """
    files = files_of(con)
    vouch(store, files, days)
    catalogue = con.execute("SELECT current_database()").fetchall()[0][0]
    shown: dict[str, tuple[str, list[RecordFile]]] = {}
    for kind in sorted({f.kind for f in files}):
        table = kind + YOUNG if has(con, kind + YOUNG) else kind
        if kind in LEDGER and table == kind:  # whole in the catalogue itself
            continue
        young = f'"{catalogue}".main.{table}'
        con.execute(f"CREATE OR REPLACE TEMP VIEW {kind} AS {whole(con, store, kind, young)}")
        shown[kind] = young, [f for f in files if f.kind == kind]
    for kind, view in WITH_VEHICLE.items():
        young, old = shown.get(kind, (kind, []))
        if old or has(con, kind):
            rows = f"SELECT y.*, l.vehicle FROM {young} y JOIN logs l USING (log)"
            if old:
                filed = f"SELECT * EXCLUDE (record_file) RENAME (of_vehicle AS vehicle) FROM ({kept(con, store, old)})"
                rows = f"{rows} UNION ALL BY NAME {filed}"
            con.execute(f"CREATE OR REPLACE TEMP VIEW {view} AS {rows}")


def whole(con: duckdb.DuckDBPyConnection, store: Path, kind: str, young: str) -> str:
    """The SELECT of all rows of a kind. young: the table that holds the rest of them."""
    files = [f for f in files_of(con) if f.kind == kind]
    ours = "record_file, of_vehicle" if kind in KEYS and kind != "logs" else "record_file"
    return f"SELECT * FROM {young} UNION ALL BY NAME SELECT * EXCLUDE ({ours}) FROM ({kept(con, store, files)})"


def kept(con: duckdb.DuckDBPyConnection, store: Path, files: Sequence[RecordFile]) -> str:
    """The SELECT of the rows of some files of one kind that hold still, with the column record_file."""
    paths = ", ".join("'" + sql_path(store / f.file).replace("'", "''") + "'" for f in files)
    rows = f"SELECT * FROM read_parquet([{paths}]) f"
    kind = files[0].kind
    if kind in KEYS:
        if not con.execute("SELECT 1 FROM ledger_removed WHERE kind = ? LIMIT 1", [kind]).fetchall():
            return rows
        removed = f"r.kind = '{kind}' AND r.key = f.{KEYS[kind]} AND r.id > f.record_file"
        return f"{rows} WHERE NOT EXISTS (FROM ledger_removed r WHERE {removed})"
    if not con.execute("SELECT 1 FROM record_removed LIMIT 1").fetchall():
        return rows
    t = (TABLES | SPANS)[kind]
    return (
        f"{rows} WHERE NOT EXISTS (FROM record_removed r WHERE r.vehicle = f.vehicle"
        f" AND f.{t} >= r.a AND f.{t} < r.b AND r.id > f.record_file)"
    )
