"""Text logs of the .trc kind, file versions 1.0 to 2.1.

    ;$FILEVERSION=2.1
    ;$STARTTIME=44548.6028595139                 days since 30 December 1899, no zone
    ;$COLUMNS=N,O,T,B,I,d,R,L,D                  from 2.0 on; earlier versions have fixed columns
          1     17535.400 DT 1  00000100 Tx -  8    00 00 00 00 00 00 00 00
        1)     17535.4  Tx     00000100  8  00 00 00 00 00 00 00 00        version 1.1
Stamps are milliseconds from the start, so the clock is relative; the start is kept as `wall`. Identifiers of more
than four digits have 29 bits. Warnings, status and error counter lines are no frames and are passed over.
Source: versioned example logs in python-can's test data; the columns of 1.2 from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta

import numpy as np

from herdbook.decoders.arrays import I64, Bool, Bytes
from herdbook.decoders.frames import BRS, ESI, EXTENDED, FD, REMOTE, TX, Frames
from herdbook.decoders.reading.reader import Account, Reader
from herdbook.decoders.reading.rows import FD_LENGTHS, Labels, Rows
from herdbook.decoders.reading.source import Source
from herdbook.decoders.text.tokens import Lines

COLUMNS = {"1.0": "NOILD", "1.1": "NOTILD", "1.2": "NOBTILD", "1.3": "NOBTIRLD"}
LOOKS = re.compile(rb"\A;(\$FILEVERSION=|#{10,}|[^\n]*\n(;[^\n]*\n)*;-+\+)")
FD_TYPES = {b"FD": FD, b"FB": FD | BRS, b"FE": FD | BRS | ESI, b"BI": FD | ESI}


class TrcHeader:
    """What the header lines have said so far: which word of a line is which column."""

    def __init__(self, account: Account) -> None:
        self.account = account
        self.labels = Labels()
        self.columns = COLUMNS["1.0"]
        self.version = ""
        self.second = False  # file versions 2.x

    def at(self, column: str) -> int:
        return self.columns.find(column)

    @property
    def doubt(self) -> str:
        """What may be wrong with the head, where lines are no frames by it."""
        if not self.version and not self.second:
            return ", by the columns of file version 1.0: the head names no version"
        if not self.readable:
            return ", for the head names no columns that make one"
        return ""

    @property
    def readable(self) -> bool:
        return {"O", "I", "D"} <= set(self.columns) and bool({"L", "l"} & set(self.columns))


def read(source: Source, account: Account) -> Iterator[Frames]:
    account.clock = "relative"
    header = TrcHeader(account)
    for offset, text in source.blocks(lambda line: _whole(line, header)):
        yield _parse(text, offset, header)


def _parse(text: Bytes, offset: int, header: TrcHeader) -> Frames:
    lines = Lines(text)
    comment = lines.initial(lines.token(0, np.arange(len(lines)))) == ord(";")
    for i in np.flatnonzero(comment).tolist():
        _header(lines.line(i), header)
    rows = Rows(len(lines))
    some = np.flatnonzero(~comment)
    done = np.zeros(len(lines), np.bool_)
    if len(some):
        done[some], event = _frames(lines, some, rows, header)
        for i in some[~done[some] & ~event].tolist():
            line = lines.line(i)
            at = offset + lines.offset(i)
            header.account.lose("line", at, len(line) + 1, f"not a frame{header.doubt}: {line[:60]!r}")
    return rows.frames(header.labels, done)


def _whole(line: bytes, header: TrcHeader) -> bool:
    """False when the file may end inside this line: before its data, or inside a number."""
    words, data = line.split(), max(header.at("D"), 1)
    bare = len(words) == data and (words[-1] == b"0" or b"RR" in words[: data - 1])  # a length, and no data to come
    complete = len(words[-1]) > 1 or bare
    return line.lstrip().startswith(b";") or (len(words) >= data and complete)


def _header(line: bytes, header: TrcHeader) -> None:
    key, _, value = line.decode("ascii", "replace").strip().partition("=")
    if key == ";$FILEVERSION":
        header.version = value
        header.second = value.startswith("2.")
        header.columns = COLUMNS.get(value, "" if header.second else header.columns)
    elif key == ";$COLUMNS":
        header.columns, header.second = value.replace(",", ""), True  # also where the version cannot be read
    elif key == ";$STARTTIME":
        try:
            header.account.wall = (datetime(1899, 12, 30) + timedelta(days=float(value))).isoformat()
        except (ValueError, OverflowError):
            header.account.wall = ""


def _frames(lines: Lines, some: I64, rows: Rows, header: TrcHeader) -> tuple[Bool, Bool]:
    """Read the lines of one block; where a frame was read, and where an event that is none."""
    word = {c: lines.token(i, some) for i, c in enumerate(header.columns)}
    if not header.readable:
        return np.zeros(len(some), np.bool_), np.zeros(len(some), np.bool_)
    kind = word.get("T", word["I"])
    t, timed = lines.micros(word["O"], 1000)
    rows.t[some] = t
    flags, frame, remote = _kinds(lines, kind, header)
    data = lines.token(header.at("D"), some)
    if not header.second:
        remote = frame & lines.has(data, b"RTR") & (lines.count[some] > header.at("D"))
    number, sound = lines.hexadecimal(lines.start[word["I"]], lines.end[word["I"]])
    frame &= (number != 0xFFFFFFFF) | ("T" in word)  # version 1.0 marks bus events by this identifier
    long = lines.size(word["I"]) > 4
    sound &= number <= np.where(long, 0x1FFF_FFFF, 0x7FF)
    length, sound_too = lines.whole(word["l"] if "l" in word else word["L"])
    if "l" not in word:
        sound_too &= length <= np.where(flags & FD, 15, 8)
        length = np.where(flags & FD, FD_LENGTHS[np.clip(length, 0, 15)], length)
    good = timed & sound & sound_too & (length <= np.where(flags & FD, 64, 8))
    held = np.where(good & frame & ~remote, length, 0)
    words = header.at("D") + held
    good &= np.where(frame & ~remote, lines.count[some] == words, lines.count[some] >= words)  # its length, no more
    payload, sound = lines.data_bytes(data, np.where(good, held, 0))
    good &= sound & frame
    if payload.shape[1] > 8:
        rows.widen()
    rows.payload[some, : payload.shape[1]] = np.where(good[:, None], payload, 0)
    rows.length[some] = np.where(good, length, 0)
    rows.can_id[some] = number & np.uint32(0x1FFF_FFFF)
    sent = lines.has(word.get("d", kind), b"Tx")
    rows.flags[some] = flags | _flag(sent, TX) | _flag(long, EXTENDED) | _flag(remote, REMOTE)
    channel = lines.whole(word["B"])[0] if "B" in word else np.ones(len(some), np.int64)
    rows.channel[some[good]] = header.labels.of_numbers(np.minimum(channel[good], 65535).astype(np.uint16))
    named = lines.initial(kind) >= ord("A") if "T" in word else np.ones(len(some), np.bool_)
    return good, np.asarray(~frame & timed & named)  # a number where the type stands: a line with a word too many


def _kinds(lines: Lines, kind: I64, header: TrcHeader) -> tuple[Bytes, Bool, Bool]:
    """Flags by the type column, whether it is a frame, and whether a remote one."""
    n = len(kind)
    flags = np.zeros(n, np.uint8)
    if not header.second:
        either = lines.has(kind, b"Rx") | lines.has(kind, b"Tx")
        return flags, either if "T" in header.columns else np.ones(n, np.bool_), np.zeros(n, np.bool_)
    remote = lines.has(kind, b"RR")
    frame = remote | lines.has(kind, b"DT")
    for name, bits in FD_TYPES.items():
        here = lines.has(kind, name)
        flags[here] = bits
        frame |= here
    return flags, frame, remote


def _flag(where: Bool, flag: int) -> Bytes:
    return np.where(where, flag, 0).astype(np.uint8)


READER = Reader(name="trc", looks=lambda head: bool(LOOKS.search(head)), read=read)
