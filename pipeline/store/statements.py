"""SQL in files: each room keeps its statements under sql/, one a file, headed by what goes in and what comes out."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.errors import StoreError

if TYPE_CHECKING:
    import duckdb

Row = dict[str, Any]


@cache
def statement(module: str, name: str) -> str:
    """The text of sql/<name>.sql beside a module of ours: statement(__name__, "parked"). name may lead into a folder
    there: "history/installs"."""
    room = module.rpartition(".")[0]
    return files(room).joinpath("sql", *f"{name}.sql".split("/")).read_text("utf-8")


def ask(con: duckdb.DuckDBPyConnection, module: str, name: str, **given: object) -> list[Row]:
    """What a statement gives, rows as dicts by column name. given: its named parameters.

    Raises: StoreError where a copy published by an older Herdbook lacks a table or a column of it."""
    import duckdb

    text = statement(module, name)
    try:
        found = con.execute(text, given) if given else con.execute(text)
    except (duckdb.CatalogException, duckdb.BinderException):
        if not _older(con):
            raise
        what = "fleet.duckdb was published by an older Herdbook and lacks what is asked for"
        raise StoreError(what, do="Run `herdbook store publish`, then ask again") from None
    names = [column[0] for column in found.description or ()]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def _older(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether a catalogue, or a published copy of one, lacks a step of the schema that is known here."""
    rows = con.execute("SELECT version FROM versions").fetchall() if has(con, "versions") else []
    steps = (Path(__file__).parent / "schema").glob("[0-9][0-9][0-9][0-9]_*.sql")
    return not {int(path.name[:4]) for path in steps} <= {number for (number,) in rows}


def has(con: duckdb.DuckDBPyConnection, table: str) -> bool:
    """Whether the catalogue has a table: a copy published by an older Herdbook may lack it."""
    # Not information_schema, which takes three times as long.
    lists = (("duckdb_tables", "table_name"), ("duckdb_views", "view_name"))
    return any(con.execute(f"SELECT 1 FROM {of}() WHERE {name} = ?", [table]).fetchone() for of, name in lists)


def has_view(con: duckdb.DuckDBPyConnection, schema: str, view: str) -> bool:
    said = "SELECT 1 FROM duckdb_views() WHERE schema_name = ? AND view_name = ?"
    return con.execute(said, [schema, view]).fetchone() is not None
