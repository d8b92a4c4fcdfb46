"""Tables as files: CSV, XLSX where openpyxl is there, Parquet; written piece by piece, then handed to the browser."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.responses import JSONResponse, Response

from herdbook.pipeline.desk.asked import step
from herdbook.pipeline.desk.made import Made
from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.extras import need
from herdbook.pipeline.herd.one_select import once, quoted
from herdbook.pipeline.reports.words import csv_cells

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.desk.desk import Asked

ROWS = 10_000  # fetched at a time
MOST_XLSX = 1_048_575  # rows below a head that a sheet can hold
KINDS = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "parquet": "application/vnd.apache.parquet",
}


def as_file(
    asked: Asked, con: duckdb.DuckDBPyConnection, sql: str, given: dict[str, Any], kind: str, name: str
) -> Response:
    """The whole answer of a statement. Raises: SettingsError, OSError."""
    if kind not in KINDS:
        raise SettingsError(f"no table is written as {kind!r}", do="Choose csv, xlsx or parquet")
    return handed_over(asked, lambda path: _write(con, sql, given, kind, path), kind, name)


def handed_over(asked: Asked, write: Callable[[Path], None], suffix: str, name: str, kind: str = "") -> Response:
    """A file that is made now and gone once it was sent. Who asks as a page of ours does is told first where it lies,
    so that it can be stopped, and what goes wrong is told. Raises: what write() does, StoppedError."""
    scratch = asked.desk.publications.scratch
    scratch.mkdir(mode=0o700, parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(dir=scratch, suffix=f".{suffix}", delete=False) as draft:
        path = Path(draft.name)
    try:
        write(path)
        step(1, 1, "written")  # stopped meanwhile: nobody waits for it
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    shown = re.sub(r"[^A-Za-z0-9._-]+", "_", name)[:80] or "herdbook"
    made = Made(path, f"{shown}.{suffix}", kind or KINDS.get(suffix, ""))
    return JSONResponse({"to": f"/made/{asked.desk.made.keep(made)}"}) if asked.as_json else made.sent()


def as_kept(asked: Asked, path: Path, kind: str) -> Response:
    """A file that stays where it lies, handed over in the same way."""
    made = Made(path, path.name, kind, stays=True)
    return JSONResponse({"to": f"/made/{asked.desk.made.keep(made)}"}) if asked.as_json else made.sent()


def fetch(asked: Asked) -> Response:
    """Raises: NotKnownError for a file that was fetched already."""
    made = asked.desk.made.take(asked.path.rpartition("/")[2])
    if made is None:
        raise NotKnownError("this file was fetched already, or is no longer kept", do="Ask for it again on its page")
    return made.sent()


def _write(con: duckdb.DuckDBPyConnection, sql: str, given: dict[str, Any], kind: str, path: Path) -> None:
    if kind == "parquet":
        _parquet(con, sql, given, path)
        return
    found = con.execute(sql, given or None)
    names = once([str(column[0]) for column in found.description or ()])
    if kind == "csv":
        csv_cells.write_rows(path, names, _batches(con))
    else:
        write_xlsx(names, _batches(con), path)


def _batches(con: duckdb.DuckDBPyConnection) -> Iterator[list[tuple[Any, ...]]]:
    done = 0
    while rows := con.fetchmany(ROWS):
        done += len(rows)
        step(done, 0, "rows written")
        yield rows


def _parquet(con: duckdb.DuckDBPyConnection, sql: str, given: dict[str, Any], path: Path) -> None:
    from pyarrow import parquet

    found = con.sql(sql, params=given or None)
    seconds = [
        f"epoch({quoted(name)}) AS {quoted(name)}" if str(kind) == "INTERVAL" else quoted(name)
        for name, kind in zip(found.columns, found.types, strict=True)
    ]
    batches = found.project(", ".join(seconds)).to_arrow_reader(ROWS)
    done = 0
    with parquet.ParquetWriter(path, batches.schema) as file:
        for batch in batches:
            file.write_batch(batch)
            done += batch.num_rows
            step(done, 0, "rows written")


def write_xlsx(names: Sequence[str], batches: Iterable[Sequence[Sequence[Any]]], path: Path) -> None:
    """A sheet; no cell of it is a formula. Raises: SettingsError for too many rows, MissingExtraError."""
    need("openpyxl", "a sheet (XLSX)")
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell

    book = Workbook(write_only=True)
    sheet = book.create_sheet("herdbook")

    def cell(value: object) -> object:
        if isinstance(value, datetime):
            return value.replace(tzinfo=None)
        if value is None or isinstance(value, bool | int | date) or (isinstance(value, float) and value == value):
            return value
        plain = csv_cells.plain_text(str(csv_cells.cell(value)))
        text = WriteOnlyCell(sheet, value="".join(c for c in plain if c.isprintable() or c in "\n\t")[:32767])
        text.data_type = "s"  # never a formula, whatever it begins with
        return text

    sheet.append([cell(name) for name in names])
    done = 0
    for rows in batches:
        done += len(rows)
        if done > MOST_XLSX:
            raise SettingsError(
                f"over {MOST_XLSX:,} rows, more than a sheet holds", do="Take CSV or Parquet, or ask for less"
            )
        for row in rows:
            sheet.append([cell(value) for value in row])
    book.save(path)
