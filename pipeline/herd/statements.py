"""Rows of a statement under sql/, by name."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import duckdb

Row = dict[str, Any]


@cache
def _text(name: str) -> str:
    return files("herdbook.pipeline.herd").joinpath("sql", f"{name}.sql").read_text("utf-8")


def ask(con: duckdb.DuckDBPyConnection, name: str, **given: object) -> list[Row]:
    """Rows as dicts, by column name. given: the statement's named parameters."""
    found = con.execute(_text(name), given) if given else con.execute(_text(name))
    names = [column[0] for column in found.description or ()]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def has(con: duckdb.DuckDBPyConnection, table: str) -> bool:
    """Whether the catalogue has a table: a copy published by an older Herdbook may lack it."""
    said = con.execute("SELECT 1 FROM information_schema.tables WHERE table_name = ?", [table]).fetchone()
    return said is not None
