"""Database logs as python-can writes them: an SQLite file with one table.

    CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended, remote, error, dlc INTEGER, data BLOB)
The time is UTC seconds. There is no channel column: all frames are on channel "1". Of a damaged file every row is
kept that SQLite still finds (herdbook.decoders.formats.db.rows).
Source: python-can, can.io.sqlite.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from herdbook.decoders.errors import LogFormatError
from herdbook.decoders.formats.db.rows import opened, rows_of
from herdbook.decoders.frames import ERROR, EXTENDED, REMOTE, Frames
from herdbook.decoders.reading.reader import Account, Reader
from herdbook.decoders.reading.rows import Labels, Rows
from herdbook.decoders.reading.source import Source

MAGIC = b"SQLite format 3\0"
COLUMNS = ("ts", "arbitration_id", "extended", "remote", "error", "dlc", "data")


def read(source: Source, account: Account) -> Iterator[Frames]:
    import sqlite3

    labels = Labels()
    labels.number(b"1")
    connection = opened(source, account)
    try:
        kind = connection.execute("SELECT type FROM sqlite_master WHERE name = 'messages'").fetchone()
        if kind != ("table",):  # a view could run anything, for ever
            raise LogFormatError(f"{source.path.name}: an SQLite file without a table `messages`; not a CAN log.")
        for batch in rows_of(connection, "messages", COLUMNS, account):
            frames = _rows(batch, labels, account)
            account.tell_clock(frames)
            yield frames
    except (sqlite3.Error, ValueError, OverflowError) as e:  # messages of its own can fail to decode
        account.lose("record", 0, source.size, f"damaged database, nothing in it can be read: {e}")
    finally:
        connection.close()


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
    if not isinstance(data, bytes) or len(data) > 64 or (len(data) != length and not (remote or error)):
        return False
    flags = (EXTENDED if extended else 0) | (REMOTE if remote else 0) | (ERROR if error else 0)
    length = min(length, 8) if remote or error else length  # asked for, or told of the error; no data
    rows.put(
        i=i,
        t=round(t * 1e6),
        channel=0,
        can_id=number,
        flags=flags,
        length=length,
        payload=b"" if remote else data[:length],
    )
    return True


READER = Reader(name="db", looks=lambda head: head.startswith(MAGIC), read=read)
