"""Comma-separated logs as python-can writes them.

    timestamp,arbitration_id,extended,remote,error,dlc,data
    1483389946.197,0x00dadada,1,0,0,6,WzQyLCA5XQ==          seconds, hexadecimal, flags, bytes, base64
There is no channel column: all frames are on channel "1". Source: python-can, can.io.csv.
"""

from __future__ import annotations

import binascii
from collections.abc import Iterator

from herdbook.decoders.frames import ERROR, EXTENDED, REMOTE, Frames
from herdbook.decoders.reading.reader import Account, Reader
from herdbook.decoders.reading.rows import Labels, Rows
from herdbook.decoders.reading.source import Source
from herdbook.decoders.text.fields import PAD

HEADER = b"timestamp,arbitration_id,extended,remote,error,dlc,data"


def read(source: Source, account: Account) -> Iterator[Frames]:
    labels = Labels()
    labels.number(b"1")
    for offset, text in source.blocks(lambda line: True):  # half a row does not have the bytes it tells of
        frames = _parse(text[PAD:-PAD].tobytes(), offset, labels, account)
        account.tell_clock(frames)
        yield frames


def _parse(block: bytes, offset: int, labels: Labels, account: Account) -> Frames:
    lines = block.split(b"\n")
    rows = Rows(len(lines))
    n = 0
    for line in lines:
        if _line(line, n, rows):
            n += 1
        elif line.strip() and not line.startswith(HEADER):
            account.lose("line", offset, len(line) + 1, f"not a row of seven columns: {line[:60]!r}")
        offset += len(line) + 1
    return rows.first(n).frames(labels)


def _line(line: bytes, i: int, rows: Rows) -> bool:
    columns = line.strip().split(b",")
    if len(columns) != 7:
        return False
    try:
        t = round(float(columns[0]) * 1e6)
        number, length = int(columns[1], 16), int(columns[5])
        data = binascii.a2b_base64(columns[6], strict_mode=True) if columns[6] else b""
    except (ValueError, OverflowError):
        return False
    extended, remote, error = (c == b"1" for c in columns[2:5])
    sound = 0 <= number <= (0x1FFF_FFFF if extended else 0x7FF) and abs(t) < 2**62
    if not sound or not 0 <= length <= 64 or (len(data) != length and not (remote or error)):
        return False
    flags = (EXTENDED if extended else 0) | (REMOTE if remote else 0) | (ERROR if error else 0)
    length = min(length, 8) if remote or error else length  # asked for, or told of the error; no data
    rows.put(i=i, t=t, channel=0, can_id=number, flags=flags, length=length, payload=b"" if remote else data[:length])
    return True


READER = Reader(name="csv", looks=lambda head: head.startswith(HEADER), read=read)
