"""Rows of one table of an SQLite file in the order of their numbers, around pages that are damaged or missing.

A query runs until it meets a page that is not sound; from there the least row number is sought behind which rows can be
read again, and the query goes on from it. Of a file cut short a copy is read whose header claims no page that is not
there, as SQLite refuses a file shorter than its header says. A row is found by the pages that lead to it: where one of
these was cut off, its rows are lost with it, though their own pages may be there.

    header   page size u16 at 16; pages u32 at 28, valid when the u32 at 24 and at 92 agree
Source: the SQLite file format as its own documentation has it.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from herdbook.decoders.errors import LogFormatError
from herdbook.decoders.reading.reader import Account
from herdbook.decoders.reading.source import Source

if TYPE_CHECKING:
    import sqlite3

BATCH = 50_000  # rows
LEAST, MOST = -(2**63), 2**63 - 1  # row numbers
Row = tuple[Any, ...]


def opened(source: Source, account: Account) -> sqlite3.Connection:
    """A connection that can only read; what is missing of the file is in the account. Raises: LogFormatError."""
    path = source.on_disk()
    name, found = source.path.name, path.stat().st_size
    with path.open("rb") as file:
        head = file.read(100)
    if len(head) < 100 or not (page := _page_size(head)):
        raise LogFormatError(f"{name}: the database header is cut short or damaged; nothing in it can be read.")
    told = _pages_told(head, found)
    if found > told * page:
        account.lose("record", told * page, found - told * page, "bytes behind the end of the database")
    if found < told * page:
        pages = found // page
        account.lose(
            "cut",
            pages * page,
            (told - pages) * page,
            f"the database file is cut short: {pages} of {told} pages are there",
        )
        path = _first_pages(source, path, pages, page)
    return _connected(path)


def _connected(path: Path) -> sqlite3.Connection:
    import sqlite3

    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
    connection.text_factory = lambda text: text.decode("utf-8", "replace")
    connection.execute("PRAGMA trusted_schema = OFF")
    return connection


def _first_pages(source: Source, path: Path, pages: int, page: int) -> Path:
    """A temporary copy of the first pages that is whole in itself; removed with the source."""
    copy = source.temporary(".db")
    with path.open("rb") as file:
        shutil.copyfileobj(file, copy)
    copy.truncate(pages * page)
    for place, value in ((24, 1), (28, pages), (92, 1)):  # the outer two: when the middle one was written
        copy.seek(place)
        copy.write(value.to_bytes(4, "big"))
    copy.flush()
    return Path(copy.name)


def _page_size(head: bytes) -> int:
    """Bytes a page, 0 when the header is damaged."""
    size = int.from_bytes(head[16:18], "big")
    size = 65536 if size == 1 else size
    return size if size >= 512 and not size & (size - 1) else 0


def _pages_told(head: bytes, size: int) -> int:
    """Pages that the file should have, by its header or else, rounded up, by its size."""
    told = int.from_bytes(head[28:32], "big")
    return told if told and head[24:28] == head[92:96] else -(-size // _page_size(head))


def rows_of(
    connection: sqlite3.Connection,
    table: str,
    columns: Sequence[str],
    account: Account,
) -> Iterator[list[Row]]:
    """Rows in batches. A hole is in the account, with its row numbers and one byte for each of them.

    Raises: sqlite3.Error when not one row can be read.
    """
    query = f"SELECT rowid, {', '.join(columns)} FROM {table} WHERE rowid >= ? ORDER BY rowid"
    start, any_read = LEAST, False
    while True:
        fault: Exception | None = None
        for batch, stopped in _until_fault(connection, query, start):
            fault = stopped
            if batch:
                yield [row[1:] for row in batch]
                start, any_read = batch[-1][0] + 1, True
        if fault is None or start > MOST:
            return
        behind = _behind(connection, table, start)
        if behind is None and not any_read:
            raise fault
        about = f"rows from number {max(start, 1)} on cannot be read: {fault}"
        if behind is None:
            if not any(loss.kind == "cut" for loss in account.losses):
                account.lose("record", 0, 1, about)
            return
        account.lose("record", 0, behind - max(start, 1), f"{about}; they go on at {behind}")
        start = behind


def _until_fault(
    connection: sqlite3.Connection,
    query: str,
    start: int,
) -> Iterator[tuple[list[Row], Exception | None]]:
    """Batches of rows from a number on, each with None, the last one with what stopped it."""
    import sqlite3

    batch: list[Row] = []
    at = start
    fault: Exception | None = None
    try:
        for row in connection.execute(query, (start,)):
            if row[0] < at:
                raise ValueError("row numbers go backwards: pages lead in a circle")
            batch.append(row)
            at = row[0] + 1
            if len(batch) == BATCH:
                yield batch, None
                batch = []
        yield batch, None
        return
    except (sqlite3.Error, ValueError, OverflowError) as e:
        fault = e
    try:  # looking one row ahead, the driver drops the last row before a fault
        some = connection.execute(query + " LIMIT 1", (min(at, MOST),)).fetchall()
        batch += [row for row in some if row[0] >= at]
    except (sqlite3.Error, ValueError, OverflowError) as e:
        fault = e
    yield batch, fault


def _behind(connection: sqlite3.Connection, table: str, start: int) -> int | None:
    """The least row number from `start` on from which rows can be read; None when there is none."""
    import sqlite3

    query = f"SELECT rowid FROM {table} WHERE rowid >= ? ORDER BY rowid LIMIT 1"

    def readable(number: int) -> bool:
        try:
            row = connection.execute(query, (number,)).fetchone()
            return row is not None and row[0] >= number
        except sqlite3.Error:
            return False

    low, step = max(start, 0), 1  # not readable at low; numbers below zero are nothing that a logger writes
    while not readable(low + step):
        if low + step > 2**40:
            return None
        low, step = low + step, step * 2
    high = low + step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if readable(middle) else (middle, high)
    return high
