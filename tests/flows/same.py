"""Is one store equal to another in everything but the moments and names of the runs that filled it?"""

from __future__ import annotations

import hashlib
from pathlib import Path

import duckdb

LEFT_OUT = {  # columns that say when or under which run something was done; whole tables that hold nothing else
    "logs": {"received_t"},
    "finding_log": {"scan"},
    "score_log": {"scan"},
    "fleet_log": {"scan"},
    "rule_sets": {"made_t"},
    "quarantine": {"first_t", "last_t", "tries"},
    "touched": {"ticket"},
    "contacts": {"scan"},
    "contact_checks": {"scan", "since"},
    "corrections": {"made_t"},
    "service_book": {"made_t"},
    "acceptances": {"entered_t", "seal", "document"},
}
RUNS = {"settings_used", "night_notes", "scans", "scan_steps", "nights", "messages", "retired"}


def contents(database: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every table's rows, sorted; nothing of LEFT_OUT."""
    con = duckdb.connect(str(database), read_only=True)
    try:
        tables = [
            t
            for (t,) in con.execute(
                "SELECT table_name FROM information_schema.tables WHERE table_schema = 'main' "
                "AND table_type = 'BASE TABLE' ORDER BY 1"
            ).fetchall()
        ]
        return {t: _rows(con, t) for t in tables if t not in RUNS}
    finally:
        con.close()


def _rows(con: duckdb.DuckDBPyConnection, table: str) -> list[tuple[object, ...]]:
    names = [n for (_, n, *_) in con.execute(f"PRAGMA table_info('{table}')").fetchall()]
    kept = ", ".join(f'"{n}"' for n in names if n not in LEFT_OUT.get(table, set()))
    return sorted(con.execute(f'SELECT {kept} FROM "{table}"').fetchall(), key=repr)


def lake(folder: Path) -> dict[str, str]:
    """SHA-256 of every part that the catalogue of the store uses."""
    con = duckdb.connect(str(folder / "catalogue.duckdb"), read_only=True)
    try:
        used = [p for (p,) in con.execute("SELECT DISTINCT part FROM parts").fetchall()]
    finally:
        con.close()
    return {p: hashlib.sha256((folder / "lake" / p).read_bytes()).hexdigest() for p in sorted(used)}


def assert_same(one: Path, other: Path) -> None:
    """Both stores' catalogues, published copies and parts hold the same."""
    for name in ("catalogue.duckdb", "fleet.duckdb"):
        left, right = contents(one / name), contents(other / name)
        assert left.keys() == right.keys()
        for table in left:
            assert left[table] == right[table], f"{name}: {table} differs"
    assert lake(one) == lake(other)
