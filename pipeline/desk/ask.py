"""A question in SQL: one SELECT over what is published and the lake, guarded as `herdbook query` guards it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.responses import JSONResponse, Response

from herdbook.pipeline.desk.asked import step
from herdbook.pipeline.desk.desk import Asked
from herdbook.pipeline.desk.files import KINDS, handed_over, write_xlsx
from herdbook.pipeline.desk.published import LinkedStore
from herdbook.pipeline.desk.tables import Copies, copies
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.herd.one_select import Limits, answering, answering_arrow
from herdbook.pipeline.reports.words import csv_cells

SHOWN = 500  # rows on the page
LIMITS = Limits(timeout_s=1800.0, memory_gb=1.0)
EXAMPLES = (
    (
        "What stands, the gravest first",
        "SELECT vehicle, severity, title, item, statement FROM findings ORDER BY severity DESC, vehicle",
    ),
    (
        "How far each vehicle went",
        "SELECT vehicle, sum(value) AS km FROM metrics WHERE name = 'distance_km' GROUP BY vehicle ORDER BY km DESC",
    ),
    ("Tables that there are", "SELECT table_schema, table_name FROM information_schema.tables ORDER BY ALL"),
)


@dataclass(frozen=True)
class Rows:
    """more: rows beyond those shown were not fetched."""

    columns: tuple[str, ...]
    rows: list[list[Any]]
    more: bool


@contextmanager
def _own_engine(asked: Asked) -> Iterator[LinkedStore]:
    """The guard locks an engine for good, so each question has its own."""
    linked = asked.desk.publications.linked()
    try:
        yield linked
    finally:
        with suppress(OSError):
            linked.link.unlink()


def rows(asked: Asked, sql: str) -> Rows:
    """Raises: SettingsError for anything but one SELECT, and for one that needs too much."""
    kept: list[list[Any]] = []
    with _own_engine(asked) as store, answering(store, sql, LIMITS) as answer:
        step(0, 0, "answered, rows come")
        for batch in answer.batches:
            kept += [[csv_cells.cell(v) for v in row] for row in batch[: SHOWN + 1 - len(kept)]]
            if len(kept) > SHOWN:
                break
        return Rows(answer.columns, kept[:SHOWN], len(kept) > SHOWN)


def page(asked: Asked) -> Response:
    sql = asked.one("sql").strip()
    found = rows(asked, sql) if sql and asked.one("run") == "1" else None
    made = _copies(asked, sql) if sql else None
    return asked.page("ask.html.j2", sql=sql, found=found, copied=made, examples=EXAMPLES, shown=SHOWN)


def _copies(asked: Asked, sql: str) -> Copies:
    return copies(asked.store.folder, sql)


def data(asked: Asked) -> Response:
    sql = asked.one("sql").strip()
    found = rows(asked, sql)
    made = _copies(asked, sql)
    said = {"command": made.command, "sql": made.sql, "python": made.python}
    texts = [["" if v is None else str(v) for v in row] for row in found.rows]
    numeric = [all(isinstance(row[i], int | float | None) for row in found.rows) for i in range(len(found.columns))]
    return JSONResponse(
        {"columns": found.columns, "rows": texts, "numeric": numeric, "more": found.more, "copies": said}
    )


def file(asked: Asked) -> Response:
    kind, sql = asked.one("as", "csv"), asked.one("sql").strip()
    writers: dict[str, Callable[[LinkedStore, str, Path], None]] = {"csv": _csv, "xlsx": _xlsx, "parquet": _parquet}
    if kind not in KINDS:
        raise SettingsError(f"no table is written as {kind!r}", do="Choose csv, xlsx or parquet")
    with _own_engine(asked) as store:
        write = writers[kind]
        return handed_over(asked, lambda path: write(store, sql, path), kind, "answer")


def _csv(store: LinkedStore, sql: str, path: Path) -> None:
    with answering(store, sql, LIMITS) as answer:
        csv_cells.write_rows(path, answer.columns, answer.batches)


def _xlsx(store: LinkedStore, sql: str, path: Path) -> None:
    with answering(store, sql, LIMITS) as answer:
        write_xlsx(answer.columns, answer.batches, path)


def _parquet(store: LinkedStore, sql: str, path: Path) -> None:
    from pyarrow import parquet

    with answering_arrow(store, sql, LIMITS) as batches, parquet.ParquetWriter(path, batches.schema) as out:
        for batch in batches:
            out.write_batch(batch)
