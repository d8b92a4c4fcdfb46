"""Text logs in the candump -L form.

    (1579857014.345944) can2 486#82967A6B          data frame; three hexadecimal digits are an 11-bit identifier
    (1579857014.346012) can2 18FEEE00#7BFFFFFF     eight digits: 29 bits
    (1579857014.346101) can2 123##5AABB            CAN FD: flags (1 bit rate switch, 2 error passive), then data
    (1579857014.346200) can2 123#R4                remote frame
    (1579857014.346300) can2 20000004#0001000000000000    error frame
Behind a line may stand " R" or " T": received, or sent by the logger itself. The time is UTC seconds; a log that
begins near 0 has a relative clock.
Source: can-utils, candump(1) option -L and lib.h; error flag 0x20000000: Linux can/error.h.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from herdbook.decoders.arrays import I64, Bool, Bytes
from herdbook.decoders.formats.candump.aligned import ERROR_BIT, IDENTIFIER, read_aligned
from herdbook.decoders.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, TX, Frames
from herdbook.decoders.reading.reader import Account, Reader
from herdbook.decoders.reading.rows import Labels, Rows
from herdbook.decoders.reading.source import Source
from herdbook.decoders.text.fields import (
    LAST_SIX,
    PAD,
    digits,
    first_characters,
    hex_bytes,
    hex_number,
    last_digits,
    same_word,
    words_at,
)

LINE = re.compile(
    rb"\s*\((\d{1,12})\.(\d{1,9})\) +(\S{1,64}) +([0-9A-Fa-f]{1,8})#"
    rb"(?:(#)([0-9A-Fa-f]))?((?:[0-9A-Fa-f]{2}){0,64}|[Rr][0-9A-Fa-f]?)(?:_[0-9A-Fa-f])?(?: +([RTrt]))?\s*$"
)
LOOKS = re.compile(rb"^\s*\(\d+\.\d+\) +\S+ +[0-9A-Fa-f]{1,8}#", re.MULTILINE)


def read(source: Source, account: Account) -> Iterator[Frames]:
    labels = Labels()
    frames = Rows(0).frames(labels)

    def whole(line: bytes) -> bool:
        return _whole(line, frames)

    for offset, text in source.blocks(whole):
        found = read_aligned(text, labels)
        frames = _parse(text, offset, labels, account) if found is None else found
        account.tell_clock(frames)
        yield frames


def _parse(text: Bytes, offset: int, labels: Labels, account: Account) -> Frames:
    shape = _even(text) or _uneven(text)
    rows = Rows(len(shape.start))
    good = _regular(text, shape, rows, labels)
    for i in np.flatnonzero(~good).tolist():
        line = text[shape.start[i] : shape.newline[i]].tobytes()
        if _one(line, i, rows, labels):
            good[i] = True
        elif line.strip():
            at = offset + int(shape.start[i]) - PAD
            account.lose("line", at, len(line) + 1, f"not a candump line: {line[:60]!r}")
    return rows.frames(labels, None if good.all() else good)


def _whole(line: bytes, before: Frames) -> bool:
    """Whether a last line without a line end is a whole frame. Its data could go on, unless they fill the frame or
    the same identifier has had so many bytes before."""
    found = LINE.match(line)
    if not found:
        return True  # garbage, and counted as such
    data, remote = found[7], found[7][:1] in (b"R", b"r")
    if found[8] or len(data) == (2 if remote else 128 if found[5] else 16):
        return True
    if remote:
        return False
    same = before.length[before.can_id == int(found[4], 16) & IDENTIFIER]
    return len(same) > 0 and int(same.max()) == len(data) // 2


class Shape(NamedTuple):
    """Positions in the text, one a line: its start, the blank behind the time, the one behind the label, the end of
    the data and of the line; and where the line may be of a regular shape (None: everywhere)."""

    start: I64
    time_end: I64
    label_end: I64
    data_end: I64
    newline: I64
    good: Bool | None


def _even(text: Bytes) -> Shape | None:
    """A block in which every line has the same number of blanks, two or three, as a logger writes it."""
    gaps: I64 = np.flatnonzero(text[PAD:-PAD] <= 32) + PAD
    for blanks in (2, 3):
        if len(gaps) and len(gaps) % (blanks + 1) == 0:
            by_line = gaps.reshape(-1, blanks + 1)
            kinds = text[by_line]
            if (kinds[:, -1] == 10).all() and (kinds[:, :-1] == 32).all():
                end = by_line[:, -1]
                start = np.concatenate(([PAD], end[:-1] + 1))
                data_end = by_line[:, 2] if blanks == 3 else end
                good = None if blanks == 2 else end - data_end == 2
                return Shape(
                    start=start,
                    time_end=by_line[:, 0],
                    label_end=by_line[:, 1],
                    data_end=data_end,
                    newline=end,
                    good=good,
                )
    return None


def _uneven(text: Bytes) -> Shape:
    """Any block: the first two blanks of each line that is not empty."""
    newline: I64 = np.flatnonzero(text[PAD:-PAD] == 10) + PAD
    start = np.concatenate(([PAD], newline[:-1] + 1))
    full = newline > start
    start, newline = start[full], newline[full]
    blanks = np.concatenate((np.flatnonzero(text == 32), np.full(2, len(text) - PAD)))
    at = np.searchsorted(blanks[:-2], start)
    time_end, label_end = blanks[at], blanks[at + 1]
    marked = text[newline - 2] == 32
    data_end = np.where(marked, newline - 2, newline)
    good = label_end < data_end
    inside = np.flatnonzero(good)
    lines = np.searchsorted(blanks[:-2], data_end[inside])
    good[inside] = lines - at[inside] == 2  # no further blank between label and end
    good &= ~_odd_bytes(text, start, newline)
    return Shape(
        start=start,
        time_end=np.where(good, time_end, PAD),
        label_end=np.where(good, label_end, PAD),
        data_end=np.where(good, data_end, PAD),
        newline=newline,
        good=good,
    )


def _odd_bytes(text: Bytes, start: I64, newline: I64) -> Bool:
    """Lines with a control character, which the quick tests of digits take on trust."""
    odd = np.flatnonzero((text < 32) & (text != 10))
    if not len(odd):
        return np.zeros(len(start), np.bool_)
    return np.asarray(np.searchsorted(odd, newline) > np.searchsorted(odd, start))


def _regular(text: Bytes, shape: Shape, rows: Rows, labels: Labels) -> Bool:
    """Fill the rows of the usual shape, all at once; True where a line has been read."""
    good = (shape.time_end > shape.start + 8) & (shape.data_end > shape.label_end)
    size = shape.label_end - shape.time_end
    good &= (size <= 17) & (size > 1)
    if shape.good is not None:
        good &= shape.good
        mark = text[shape.newline - 1] | 0x20
        marked = shape.data_end < shape.newline
        good &= ~marked | (mark == ord("t")) | (mark == ord("r"))
        rows.flags |= np.where(marked & (mark == ord("t")), np.uint8(TX), np.uint8(0))
    if not good.all():
        start, time_end, label_end, data_end = (np.where(good, a, PAD) for a in shape[:4])
        shape = Shape(
            start=start, time_end=time_end, label_end=label_end, data_end=data_end, newline=shape.newline, good=good
        )
    good &= _times(text, shape.start, shape.time_end, rows)
    good &= _identifiers(text, shape.label_end, shape.data_end, rows)
    count = shape.label_end - shape.time_end - 1
    low = words_at(text, shape.time_end + 1) & first_characters(count)
    high = words_at(text, shape.time_end + 9) & first_characters(count - 8)
    rows.channel[:] = labels.of_words(low, high, good)
    return good


def _times(text: Bytes, start: I64, time_end: I64, rows: Rows) -> Bool:
    """(seconds.micros) with six decimals, up to 12 digits of seconds."""
    dot = time_end - 8
    count = dot - start - 1
    good = (text[start] == ord("(")) & (text[dot] == ord(".")) & (text[time_end - 1] == ord(")"))
    good &= (count >= 1) & (count <= 12)
    micros, bad = digits((words_at(text, dot + 1) << np.uint64(16)) | LAST_SIX)
    low, bad_low = last_digits(words_at(text, dot - 8), count)
    seconds, bad_high = last_digits(same_word(words_at(text, dot - 16)), count - 8)
    seconds = seconds * np.uint64(100_000_000) + low
    rows.t[:] = (seconds * np.uint64(1_000_000) + micros).view(np.int64)
    return np.asarray(good & ((bad | bad_low | bad_high) == 0))


def _identifiers(text: Bytes, label_end: I64, ends: I64, rows: Rows) -> Bool:
    """id#data as III#, IIIIIIII#, each with ## for CAN FD: fills identifier, flags, length and payload."""
    start = label_end + 1
    short = text[start + 3] == ord("#")
    long = ~short
    if long.any():
        long &= text[start + 8] == ord("#")
    word = words_at(text, start)
    number, bad = hex_number(word, 3)
    if long.any():
        wide, bad_wide = hex_number(word, 8)
        number, bad = np.where(long, wide, number), np.where(long, bad_wide, bad)
        rows.flags[long] |= EXTENDED
        error = long & (number & np.uint64(ERROR_BIT) != 0)
        rows.flags[error] |= ERROR
        bad = bad | np.where(number > np.uint64(ERROR_BIT | IDENTIFIER), np.uint64(1), np.uint64(0))
    bad = bad | (short & (number > np.uint64(0x7FF)))
    rows.can_id[:] = number.astype(np.uint32) & np.uint32(IDENTIFIER)
    data = start + (np.where(long, 9, 4) if long.any() else 4)
    fd = text[data] == ord("#")
    good = (long | short) & (bad == 0)
    if fd.any():
        bits, bad_bits = hex_number(words_at(text, data + 1), 1)
        good &= ~fd | (bad_bits == 0)
        for bit, flag in ((1, BRS), (2, ESI)):
            rows.flags[fd & (bits & np.uint64(bit) != 0)] |= flag
        rows.flags[fd] |= FD
        data = data + np.where(fd, 2, 0)
    count = ends - data
    good &= (count >= 0) & (count & 1 == 0) & (count <= (np.where(fd, 128, 16) if fd.any() else 16))
    if not good.all():
        count = np.where(good, count, 0)
    rows.length[:] = count >> 1
    return np.asarray(good & _payload(text, data, count, rows))


def _payload(text: Bytes, data: I64, count: I64, rows: Rows) -> Bool:
    """Hexadecimal data, sixteen characters to a payload word; an "R" (remote) fails here: the slow way."""
    most = int(count.max(initial=0))
    if most > 16:
        rows.widen()
    out = rows.words()
    bad = np.zeros(len(data), np.uint64)
    even = bool((count == 16).all())
    for k in range(max(1, (most + 15) // 16)):
        some = slice(None) if k == 0 else np.flatnonzero(count > 16 * k)
        at, left = data[some] + 16 * k, count[some] - 16 * k
        keep_low = None if even else first_characters(left)
        keep_high = None if even else first_characters(left - 8)
        low, bad_low = hex_bytes(words_at(text, at), keep_low)
        high, bad_high = hex_bytes(words_at(text, at + 8), keep_high)
        out[some, k] = low | (high << np.uint64(32))
        bad[some] |= bad_low | bad_high
    return np.asarray(bad == 0)


def _one(line: bytes, i: int, rows: Rows, labels: Labels) -> bool:
    """One line of an unusual shape; False when it is none of ours."""
    found = LINE.match(line)
    if not found:
        return False
    seconds, fraction, label, identifier, fd, bits, data, mark = found.groups()
    if not fd and len(data) > 16:
        return False
    number = int(identifier, 16)
    flags = EXTENDED if len(identifier) > 3 else 0
    flags |= ERROR if len(identifier) == 8 and number & ERROR_BIT else 0
    flags |= TX if mark in (b"T", b"t") else 0
    if number > (ERROR_BIT | IDENTIFIER) or (not flags & EXTENDED and number > 0x7FF):
        return False
    if fd:
        flags |= FD | (BRS if int(bits, 16) & 1 else 0) | (ESI if int(bits, 16) & 2 else 0)
    payload = b""
    if data[:1] in (b"R", b"r"):
        flags |= REMOTE
        length = min(int(data[1:] or b"0", 16), 8)
    else:
        payload = bytes.fromhex(data.decode("ascii"))
        length = len(payload)
    t = int(seconds) * 1_000_000 + round(int(fraction) / 10 ** (len(fraction) - 6))
    rows.put(
        i=i, t=t, channel=labels.number(label), can_id=number & IDENTIFIER, flags=flags, length=length, payload=payload
    )
    return True


READER = Reader(name="candump", looks=lambda head: bool(LOOKS.search(head)), read=read, apart=True)
