"""Database logs as python-can writes them: an SQLite file with one table.

    CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended, remote, error, dlc INTEGER, data BLOB)
The time is UTC seconds. There is no channel column: all frames are on channel "1".
Source: python-can, can.io.sqlite.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from decoders.errors import LogFormatError
from decoders.frames import ERROR, EXTENDED, REMOTE, Frames
from decoders.frames_out import Labels, Rows
from decoders.log import ABSOLUTE_US, Account, Reader
from decoders.source import Source

MAGIC = b"SQLite format 3\0"
BATCH = 50_000
QUERY = "SELECT ts, arbitration_id, extended, remote, error, dlc, data FROM messages ORDER BY rowid"


def read(source: Source, account: Account) -> Iterator[Frames]:
    import sqlite3

    labels = Labels()
    labels.number(b"1")
    path = source.on_disk()
    _check_size(path, source.path.name, account)
    address = path.absolute().as_uri()
    connection = sqlite3.connect(f"{address}?mode=ro&immutable=1", uri=True)
    connection.text_factory = lambda text: text.decode("utf-8", "replace")
    try:
        connection.execute("PRAGMA trusted_schema = OFF")
        kind = connection.execute("SELECT type FROM sqlite_master WHERE name = 'messages'").fetchone()
        if kind != ("table",):  # a view could run anything, for ever
            raise LogFormatError(f"{source.path.name}: an SQLite file without a table `messages`; not a CAN log.")
        cursor = connection.execute(QUERY)
        first = True
        while batch := cursor.fetchmany(BATCH):
            frames = _rows(batch, labels, account)
            if first and len(frames):
                account.clock = "utc" if int(frames.t[0]) >= ABSOLUTE_US else "relative"
                first = False
            yield frames
    except (sqlite3.Error, ValueError, OverflowError) as e:  # messages of its own can fail to decode
        account.lose("record", 0, source.size, f"damaged database, frames from here on are lost: {e}")
    finally:
        connection.close()


def _check_size(path: Path, name: str, account: Account) -> None:
    """SQLite takes what is missing of a page for zeros and would give frames that never were. Raises LogFormatError."""
    with path.open("rb") as file:
        head = file.read(100).ljust(100, b"\0")
    page = int.from_bytes(head[16:18], "big")
    told = int.from_bytes(head[28:32], "big") * (65536 if page == 1 else page)
    found = path.stat().st_size
    if found < max(told, 100):
        raise LogFormatError(f"{name}: the database file is cut short: {found} of {told} bytes. Ask for it again, "
                             "or save what is left with the recovery command of an SQLite shell.")
    if found > told:
        account.lose("record", told, found - told, "bytes behind the end of the database")


def _rows(batch: list[tuple[Any, ...]], labels: Labels, account: Account) -> Frames:
    rows = Rows(len(batch))
    n = 0
    for row in batch:
        if _put(row, n, rows):
            n += 1
        else:
            account.lose("record", 0, 1, "a row of the table that is no CAN frame")
    return rows.first(n).frames(labels)


def _put(row: tuple[Any, ...], i: int, rows: Rows) -> bool:
    t, number, extended, remote, error, length, data = row
    data = data or b""
    if not isinstance(t, int | float) or not isinstance(number, int) or not isinstance(length, int):
        return False
    if not abs(t) < 2**42 or not 0 <= number <= (0x1FFF_FFFF if extended else 0x7FF) or not 0 <= length <= 64:
        return False
    if not isinstance(data, bytes) or len(data) > 64:
        return False
    flags = (EXTENDED if extended else 0) | (REMOTE if remote else 0) | (ERROR if error else 0)
    rows.put(i, round(t * 1e6), 0, number, flags, length, b"" if remote else data[:length])
    return True


READER = Reader(name="db", looks=lambda head: head.startswith(MAGIC), read=read)
