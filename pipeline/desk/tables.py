"""Tables that a page shows in part and a file holds whole: sorted and paged in the database, written as CSV, XLSX or
Parquet, and given as the command, the SQL and the Python that give the same."""

from __future__ import annotations

import re
import shlex
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from math import ceil
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.store.statements import Row

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

PAGE = 100  # rows of a page
_NAME = re.compile(r"\$([a-z_]+)")
_COMMENT = re.compile(r"--[^\n]*")


@dataclass(frozen=True)
class TableQuestion:
    """sql: one SELECT with $names. orders: columns that a reader may sort by, each with the SQL that does. first: the
    order where nobody asked for one."""

    sql: str
    given: Mapping[str, object] = field(default_factory=dict)
    orders: Mapping[str, str] = field(default_factory=dict)
    first: str = ""

    def ordered(self, by: str, down: bool) -> str:
        if by in self.orders:
            way = "DESC NULLS LAST" if down else "ASC NULLS LAST"
            order = ", ".join(f"{part} {way}" for part in self.orders[by].split(", "))
            order += f", {self.first}" if self.first else ""
        else:
            order = self.first
        bare = _COMMENT.sub("", self.sql).strip().rstrip(";").strip()
        return f"SELECT * FROM (\n{bare}\n)" + (f"\nORDER BY {order}" if order else "")

    def text(self, by: str = "", down: bool = False) -> str:
        """As a statement that stands alone, its values written in."""
        return _NAME.sub(lambda m: literal(self.given[m[1]]) if m[1] in self.given else m[0], self.ordered(by, down))


@dataclass(frozen=True)
class PageOfRows:
    """rows of one page; number from 1. of: pages. n: rows in all."""

    rows: list[Row]
    n: int
    number: int
    of: int


def page_of(
    con: duckdb.DuckDBPyConnection, question: TableQuestion, by: str, down: bool, number: int, size: int = PAGE
) -> PageOfRows:
    inner = question.ordered(by, down)
    given = dict(question.given)
    counted = inner.replace("SELECT * FROM (", "SELECT *, count(*) OVER () AS _n FROM (", 1)
    for tried in (max(1, number), 1):  # a page behind the last one is the first
        found = con.execute(f"{counted} LIMIT {size:d} OFFSET {(tried - 1) * size:d}", given or None)
        names = [str(column[0]) for column in found.description or ()][:-1]
        if rows := found.fetchall():
            n = int(rows[0][-1])
            kept = [dict(zip(names, row[:-1], strict=True)) for row in rows]
            return PageOfRows(kept, n, tried, ceil(n / size))
    return PageOfRows([], 0, 1, 1)


def literal(value: Any) -> str:
    """A value as SQL writes it."""
    if value is None:
        return "NULL"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, datetime):
        return f"TIMESTAMP '{value.isoformat(sep=' ')}'"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(literal(v) for v in value) + "]" + ("::VARCHAR[]" if not value else "")
    return "'" + str(value).replace("'", "''") + "'"


@dataclass(frozen=True)
class Copies:
    """The same answer by other ways, each to be pasted and run."""

    command: str
    sql: str
    python: str


def copies(store: Path, sql: str) -> Copies:
    return Copies(
        command=f"herdbook query {shlex.quote(sql)} --store {shlex.quote(str(store))} --timeout 600",
        sql=sql,
        python=f"import herdbook\n\nfleet = herdbook.open({str(store)!r})\ntable = fleet.sql({sql!r})\nprint(table)\n",
    )
