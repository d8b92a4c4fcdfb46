"""Bytes logs of the .asc kind, classic CAN and CAN FD.

    date Sat Sep 30 15:06:13.191 2017              wall clock, no zone
    base hex  timestamps absolute                  or dec; or relative: each stamp counts from the line before
    Begin Triggerblock Sat Sep 30 15:06:13.191 2017
       0.019968 1  64              Rx   d 8 64 00 00 00 00 00 00 00  Length = 240015 BitCount = 124 ID = 100
       0.020968 1  18EBFF00x       Tx   r 8                           "x": 29 bits; "r": remote frame
       2.501000 1  ErrorFrame
      30.005071 CANFD   2 Rx    300  Name_12  1 0 8  8 01 02 03 04 05 06 07 08  102203 133 303000 e0006659 ...
Stamps are seconds from the start of measurement, so the clock is relative; the date is kept as `wall`.
Events that are no frames (statistics, chip status, J1939 summaries, comments) are passed over. A CANFD line
without data is a remote frame when its length code or its flags (0x10) say so. Channels count from 1 and
keep that label. Source: example logs in python-can's test data; its reader is the reference in the tests.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import datetime

import numpy as np

from herdbook.decoders.arrays import I64, Bool, Bytes
from herdbook.decoders.formats.asc.aligned import distances_in, read_aligned
from herdbook.decoders.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, TX, Frames
from herdbook.decoders.reading.reader import Account, Reader
from herdbook.decoders.reading.rows import FD_LENGTHS, Labels, Rows
from herdbook.decoders.reading.source import Source
from herdbook.decoders.text.fields import PAD
from herdbook.decoders.text.tokens import Lines

HEADER = re.compile(rb"(date|base|begin|end|no\s+internal|internal|//|#)", re.IGNORECASE)
LOOKS = re.compile(rb"^(date\s+\w+\s+\S+.*\d{4}\s*$|base\s+(hex|dec)\b|begin triggerblock)", re.I | re.M)
BASE_LINE = re.compile(rb"^\s*base\s", re.IGNORECASE | re.MULTILINE)
BASE = re.compile(rb"base\s+(hex|dec)(?:\s+timestamps\s+(absolute|relative))?", re.IGNORECASE)
DATE = re.compile(rb"(?:date|begin\s+triggerblock)\s+\w+\s+(.+)", re.IGNORECASE)
EVENT = re.compile(rb"\d+\.\d+\s+(\D|\d+\s+(Statistic|J1939TP|\S*:))", re.IGNORECASE)
WALL = re.compile(rb"(\w{3}|m.{1,2}r)\s+(\d+)\s+(\d+):(\d+):(\d+)(?:\.(\d+))?\s*(am|pm)?\s*(\d{4})\s*$", re.IGNORECASE)
STAMP = re.compile(rb"\s*\d+\.\d+(\s|$)")
MONTHS = dict(zip(b"jan feb mar apr may jun jul aug sep oct nov dec".split(), range(1, 13), strict=True))
MONTHS |= {b"m\xe4r": 3, b"m\xc3\xa4r": 3, b"mai": 5, b"okt": 10, b"dez": 12}


class AscHeader:
    """What the header lines have said so far, and the time that has passed where stamps are relative."""

    def __init__(self, account: Account) -> None:
        self.account = account
        self.labels = Labels()
        self.hexadecimal = True
        self.deltas = False
        self.elapsed = 0
        self.begun = False


def read(source: Source, account: Account) -> Iterator[Frames]:
    account.clock = "relative"
    header = AscHeader(account)
    for offset, text in source.blocks(lambda line: _whole(line, header)):
        yield _parse(text, offset, header)


def _parse(text: Bytes, offset: int, header: AscHeader) -> Frames:
    """By the columns of the block where it has any, behind the header; else word by word."""
    if (
        header.begun
        and header.hexadecimal
        and not header.deltas
        and (frames := _aligned(text, offset, header)) is not None
    ):
        return frames
    header.begun = True
    lines = Lines(text)
    rows, done = _by_words(lines, lambda i: offset + lines.offset(i), header)
    return rows.frames(header.labels, done)


def _aligned(text: Bytes, offset: int, header: AscHeader) -> Frames | None:
    """Frames of a block whose lines are mostly laid out alike; None for other blocks."""
    newline: I64 = np.flatnonzero(text[PAD:-PAD] == 10) + PAD
    start = np.concatenate(([PAD], newline[:-1] + 1))
    start, newline = start[newline > start], newline[newline > start]
    if not (distances := distances_in(text)):
        return None
    rows = Rows(len(start))
    good = read_aligned(text, start, distances, rows, header.labels)
    others = np.flatnonzero(~good)
    if 2 * len(others) > len(good):
        return None
    if len(others):
        pieces = [text[a : b + 1] for a, b in zip(start[others].tolist(), newline[others].tolist(), strict=True)]
        edge = np.full(PAD, 10, np.uint8)
        rest = np.concatenate([edge, *pieces, edge])
        if BASE_LINE.search(rest.tobytes()):
            return None
        lines = Lines(rest)
        begins = PAD + np.concatenate(([0], np.cumsum(newline[others] + 1 - start[others])))
        which = others[np.searchsorted(begins, lines.start[lines.first], side="right") - 1]
        odd, done = _by_words(lines, lambda i: offset + int(start[which[i]]) - PAD, header)
        rows.replace(which[done], odd, done)
        good[which[done]] = True
    return rows.frames(header.labels, None if good.all() else good)


def _by_words(lines: Lines, place: Callable[[int], int], header: AscHeader) -> tuple[Rows, Bool]:
    """Rows of any lines, and where a frame was read; header lines are obeyed. place: offset of a line in the file."""
    every = np.arange(len(lines))
    t, stamped = lines.micros(lines.token(0, every), pointed=True)
    stamped &= lines.count > 1
    for i in np.flatnonzero(~stamped).tolist():
        _header(lines.line(i), place(i), header)
    if header.deltas:
        t = header.elapsed + np.cumsum(np.where(stamped, t, 0))
        header.elapsed = int(t[-1]) if len(t) else header.elapsed
    rows = Rows(len(lines))
    rows.t[:] = t
    second = lines.token(1, every)
    fd = stamped & lines.has(second, b"CANFD")
    number, numbered = lines.whole(second)
    classic = stamped & ~fd & numbered & (number < 65536)
    done = _classic(lines, np.flatnonzero(classic), rows, header)
    done |= _fd(lines, np.flatnonzero(fd), rows, header)
    for i in np.flatnonzero(stamped & ~done).tolist():
        line = lines.line(i)
        if fd[i] or not EVENT.match(line):
            header.account.lose("line", place(i), len(line) + 1, f"not a frame: {line[:60]!r}")
    return rows, done


def _whole(line: bytes, header: AscHeader) -> bool:
    """False when the file may end inside this line: before the last byte that its length tells of, or inside it."""
    words = line.split()
    if not STAMP.match(line):
        return True  # of the header, or garbage and counted as such
    fd = words[1:2] == [b"CANFD"]
    if b"errorframe" in (word.lower() for word in words[2:5]):
        return True
    at = (8 if len(words) > 5 and len(words[5]) == 1 else 9) if fd else 6
    try:
        length = int(words[at - 1], 16 if header.hexadecimal and not fd else 10)
    except (IndexError, ValueError):
        return False
    held = 0 if words[4] == b"r" else length if fd else min(length, 8)
    if fd and not held:  # behind the length, flags say whether it is a remote frame
        return len(words) > at + 2
    last = line.endswith((b" ", b"\t")) or len(words) > at + held or len(words[-1]) == (2 if header.hexadecimal else 3)
    return len(words) >= at + held and (held == 0 or last)


def _header(line: bytes, at: int, header: AscHeader) -> None:
    if found := BASE.match(line):
        header.hexadecimal = found[1].lower() == b"hex"
        header.deltas = (found[2] or b"").lower() == b"relative"
    elif (found := DATE.match(line)) and (wall := _wall(found[1])):
        header.account.wall = wall
    elif not HEADER.match(line):
        header.account.lose("line", at, len(line) + 1, f"not an asc line: {line[:60]!r}")


def _wall(text: bytes) -> str:
    """Date of a header line, in ISO form without a zone; "" when it cannot be read."""
    found = WALL.match(text)
    if not found or found[1].lower() not in MONTHS:
        return ""
    hour = int(found[3]) % 12 + (12 if found[7].lower() == b"pm" else 0) if found[7] else int(found[3])
    micro = int((found[6] or b"0").ljust(6, b"0")[:6])
    try:
        return datetime(
            year=int(found[8]),
            month=MONTHS[found[1].lower()],
            day=int(found[2]),
            hour=hour,
            minute=int(found[4]),
            second=int(found[5]),
            microsecond=micro,
        ).isoformat()
    except (ValueError, OverflowError):
        return ""


def _classic(lines: Lines, some: I64, rows: Rows, header: AscHeader) -> Bool:
    """time channel id[x] Rx|Tx d dlc bytes, or r [dlc], or time channel ErrorFrame; True where a frame was read."""
    done = np.zeros(len(lines), np.bool_)
    if not len(some):
        return done
    name = lines.token(2, some)
    error = (lines.count[some] > 2) & (lines.size(name) == 10) & (lines.initial(name) | 0x20 == ord("e"))
    error[error] = [lines.word(k).lower() == b"errorframe" for k in name[error].tolist()]
    good = _sender(lines, lines.token(3, some), some, rows) & (lines.count[some] > 4)
    good &= _identifier(lines, name, some, rows, header)
    kind = lines.token(4, some)
    remote = good & lines.has(kind, b"r")
    length, has_length = _number(lines, lines.token(5, some), header)
    data = good & lines.has(kind, b"d") & has_length & (length <= 64) & (lines.count[some] > 5)
    held = np.where(data, np.minimum(length, 8), 0)
    data &= lines.count[some] >= held + 6
    held = np.where(data, held, 0)
    payload, sound = lines.data_bytes(lines.token(6, some), held, header.hexadecimal)
    data &= sound
    rows.payload[some, :8] = np.where(data[:, None], payload[:, :8], 0)
    told = remote & (lines.count[some] > 5) & has_length & _is_digit(lines, lines.token(5, some))
    rows.length[some] = np.where(data, held, np.where(told, np.minimum(length, 8), 0))
    rows.flags[some] |= np.where(remote, REMOTE, 0).astype(np.uint8)
    rows.flags[some[error]] = ERROR
    rows.can_id[some[error]] = 0
    done[some] = data | remote | error
    _channels(lines=lines, token=lines.token(1, some), some=some, good=done[some], rows=rows, header=header)
    return done


def _fd(lines: Lines, some: I64, rows: Rows, header: AscHeader) -> Bool:
    """time CANFD channel Rx|Tx id [name] brs esi dlc length bytes duration bits flags ...; True where one was read."""
    done = np.zeros(len(lines), np.bool_)
    if not len(some):
        return done
    sender, name = lines.token(3, some), lines.token(4, some)
    known = _sender(lines, sender, some, rows) & (lines.count[some] > 4)
    error = known & (lines.initial(name) | 0x20 == ord("e")) & (lines.size(name) == 10)
    good = known & ~error & _identifier(lines, name, some, rows, header)
    at = 5 + np.where(_is_digit(lines, lines.token(5, some)), 0, 1)  # a symbolic name may stand before brs
    brs, esi = lines.token(at, some), lines.token(at + 1, some)
    code, sound = _number(lines, lines.token(at + 2, some), header)
    held, sound_too = lines.whole(lines.token(at + 3, some))
    good &= sound & sound_too & (code <= 15) & (held <= 64)
    good &= lines.count[some] >= at + 4 + np.minimum(held, 64)
    payload, sound = lines.data_bytes(lines.token(at + 4, some), np.where(good, held, 0), header.hexadecimal)
    good &= sound
    flag = lines.token(at + 6 + np.minimum(held, 64), some)
    bits, has_bits = lines.hexadecimal(lines.start[flag], lines.end[flag])
    remote = good & (held == 0) & ((code > 0) | (has_bits & (bits & np.uint32(0x10) != 0)))
    if payload.shape[1] > 8:
        rows.widen()
    rows.payload[some, : payload.shape[1]] = np.where(good[:, None], payload, 0)
    rows.length[some] = np.where(remote, FD_LENGTHS[np.minimum(code, 15)], np.where(good, held, 0))
    rows.flags[some] |= np.where(lines.has(brs, b"1"), BRS, 0).astype(np.uint8)
    rows.flags[some] |= np.where(lines.has(esi, b"1"), ESI, 0).astype(np.uint8)
    rows.flags[some] |= np.where(remote, FD | REMOTE, FD).astype(np.uint8)
    rows.flags[some[error]] = FD | ERROR
    rows.can_id[some[error]] = 0
    done[some] = good | error
    _channels(lines=lines, token=lines.token(2, some), some=some, good=done[some], rows=rows, header=header)
    return done


def _sender(lines: Lines, token: I64, some: I64, rows: Rows) -> Bool:
    sent = lines.has(token, b"Tx")
    rows.flags[some] |= np.where(sent, TX, 0).astype(np.uint8)
    return sent | lines.has(token, b"Rx")


def _identifier(lines: Lines, token: I64, some: I64, rows: Rows, header: AscHeader) -> Bool:
    long = lines.last(token) | 0x20 == ord("x")
    start, end = lines.start[token], lines.end[token] - long
    if header.hexadecimal:
        number, good = lines.hexadecimal(start, end)
    else:
        whole, good = lines.digits(start, end)
        number = np.minimum(whole, 2**31).astype(np.uint32)
    rows.can_id[some] = number
    rows.flags[some] |= np.where(long, EXTENDED, 0).astype(np.uint8)
    return np.asarray(good & (number <= np.where(long, 0x1FFF_FFFF, 0x7FF)))


def _number(lines: Lines, token: I64, header: AscHeader) -> tuple[I64, Bool]:
    if header.hexadecimal:
        value, good = lines.hexadecimal(lines.start[token], lines.end[token])
        return value.astype(np.int64), good
    return lines.whole(token)


def _is_digit(lines: Lines, token: I64) -> Bool:
    return np.asarray((lines.size(token) == 1) & (lines.initial(token) >= 48) & (lines.initial(token) <= 57))


def _channels(lines: Lines, token: I64, some: I64, good: Bool, rows: Rows, header: AscHeader) -> None:
    number, _ = lines.whole(token[good])
    rows.channel[some[good]] = header.labels.of_numbers(np.minimum(number, 65535).astype(np.uint16))


READER = Reader(name="asc", looks=lambda head: bool(LOOKS.search(head)), read=read)
