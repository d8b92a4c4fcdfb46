"""Blocks of a candump log whose lines are laid out alike: each line is fetched once, all fields come out of that.

    (1579857014.345944) can2 486#82967A6B
                       ^    ^ the two blanks stand at the same place in every line of the block
A logger on buses with names of one length writes nothing else. Identifiers of three and of eight digits may be mixed,
and data of any length. With one line of another kind (CAN FD, remote, damaged) the whole block is left to the general
reader, so there is nothing to be said here of what is lost.
"""

from __future__ import annotations

import binascii
import re
from dataclasses import dataclass

import numpy as np

from herdbook.decoders.arrays import I64, U32, U64, Bytes
from herdbook.decoders.frames import ERROR, EXTENDED, TX, Frames
from herdbook.decoders.reading.rows import Labels
from herdbook.decoders.text.fields import KEEP_FIRST, KEEP_LAST, LAST_SIX, PAD, ZEROS, digits

HEAD = re.compile(rb"(\((\d{1,12})\.\d{6}\)) (\S{1,16}) (?=\w{3,8}#[^#])")  # CAN FD ("##") is refused at its first line
AHEAD = 24  # characters fetched up to the end of the time: three words hold all of it
MOST = 25  # characters of an identifier of eight digits with "#" and eight bytes of data
DOT_AND_BRACKET = np.uint64(ord(".") | ord(")") << 56)
BOTH_ENDS, FOURTH = np.uint64(0xFF | 0xFF << 56), np.uint64(0xFF << 24)  # characters of a word
ERROR_BIT, IDENTIFIER = 0x2000_0000, 0x1FFF_FFFF
KEEP_DATA = [np.array([KEEP_FIRST[min(max(n - k, 0), 8)] for n in range(17)]) for k in (0, 8)]  # n of 16 characters


@dataclass(frozen=True, slots=True)
class _Lines:
    """The lines of a block: their characters from AHEAD before the end of the time on, uint8 (n, width); seconds and
    label of the first; characters from the identifier to the end of the data, (n,)."""

    chars: Bytes
    seconds: bytes
    label: bytes
    room: I64

    def words(self, column: int) -> U64:
        """Eight characters of each line."""
        n, width = self.chars.shape  # numpy's own slices of a few bytes take five times as long
        return np.ndarray((n,), "<u8", self.chars.data, column, (width,)).copy()

    def all_have(self, char: str, column: int) -> bool:
        return bool((self.chars[:, column] == ord(char)).all())


def read_aligned(text: Bytes, labels: Labels) -> Frames | None:
    """All lines of a block (as Source.blocks gives it), or None when one of them is not like the others."""
    head = HEAD.match(text[PAD : PAD + 64].tobytes())
    if head is None:
        return None
    newline: I64 = np.flatnonzero(text[PAD:-PAD] == 10) + PAD
    start = np.concatenate(([PAD], newline[:-1] + 1))
    if not (full := newline > start).all():  # such as lines that end in two characters
        start, newline = start[full], newline[full]
    marked = bool(text[newline[0] - 2] == 32)  # " R" or " T" behind the line; in some lines only: they fail as data
    room = (newline - 2 if marked else newline) - start - head.end()
    if int(room.min()) < 4 or int(room.max()) > MOST:
        return None
    flags = np.zeros(len(start), np.uint8)
    if marked:
        mark = text[newline - 1] | 0x20
        flags[mark == ord("t")] = TX
        if not (((mark == ord("t")) | (mark == ord("r"))) & (text[newline - 2] == 32)).all():
            return None
    width = AHEAD + head.end() - head.end(1) + MOST + 7 & ~7  # ends within PAD of the last line
    every = np.ndarray((len(text) - width + 1,), f"V{width}", text.data, strides=(1,))
    chars = every[start + (head.end(1) - AHEAD)].view(np.uint8).reshape(-1, width)
    lines = _Lines(chars, head[2], head[3], room)
    t, rest = _times(lines), _identifier_and_data(lines, flags)
    channel = None if t is None or rest is None else _channel(lines, labels)  # last: it gives numbers to labels
    if t is None or rest is None or channel is None:
        return None
    return Frames(
        t=t, channel=channel, can_id=rest[0], flags=flags, length=rest[1], payload=rest[2], channels=tuple(labels.names)
    )


def _times(lines: _Lines) -> I64 | None:
    """(seconds.micros)"""
    word, count = lines.words(AHEAD - 8), len(lines.seconds)
    if not lines.all_have("(", AHEAD - 9 - count) or ((word & BOTH_ENDS) != DOT_AND_BRACKET).any():
        return None
    high = lines.words(0) & KEEP_LAST[max(count - 8, 0)]
    if (high != high[0]).any():  # seconds in steps of 100 million, which a usual block has one of
        return None
    low = KEEP_LAST[min(count, 8)]
    seconds, bad = digits((lines.words(8) & low) | (ZEROS & ~low))
    micros, bad_micros = digits((word >> np.uint64(8) << np.uint64(16)) | LAST_SIX)
    if (bad | bad_micros).any():
        return None
    seconds += np.uint64(int(lines.seconds[:-8] or b"0") * 100_000_000)
    return (seconds * np.uint64(1_000_000) + micros).view(np.int64)


def _channel(lines: _Lines, labels: Labels) -> Bytes | None:
    """Numbers of the labels, each of which stands between two blanks."""
    n, size = len(lines.chars), len(lines.label)
    around = [(lines.words(AHEAD + at), KEEP_FIRST[min(size + 2 - at, 8)]) for at in range(0, size + 2, 8)]
    if all(((word ^ word[0]) & keep == 0).all() for word, keep in around):
        return np.full(n, labels.number(lines.label), np.uint8)
    if not lines.all_have(" ", AHEAD) or not lines.all_have(" ", AHEAD + size + 1):
        return None
    low, high = KEEP_FIRST[min(size, 8)], KEEP_FIRST[max(size - 8, 0)]
    words = lines.words(AHEAD + 1) & low, lines.words(AHEAD + 9) & high
    if any(int((word | ~keep).view(np.uint8).min()) <= 32 for word, keep in zip(words, (low, high), strict=True)):
        return None  # a blank or a control character
    return labels.of_words(*words, np.ones(n, np.bool_))


def _identifier_and_data(lines: _Lines, flags: Bytes) -> tuple[U32, Bytes, Bytes] | None:
    """III#data or IIIIIIII#data: identifier, length in bytes, payload; flags are added to."""
    column = AHEAD + len(lines.label) + 2
    first, count = lines.words(column), lines.room - 4
    number, data = (first << np.uint64(40)) | (ZEROS & KEEP_FIRST[5]), [lines.words(column + k) for k in (4, 12)]
    long = np.flatnonzero((first & FOURTH) != np.uint64(ord("#") << 24))
    if len(long):
        number[long] = first[long]
        for word, k in zip(data, (9, 17), strict=True):
            word[long] = lines.words(column + k)[long]
        count[long] -= 5
        if (lines.chars[long, column + 8] != ord("#")).any():
            return None
    if int(count.min()) < 0 or int(count.max()) > 16 or (count & 1).any():
        return None
    less = np.flatnonzero(count < 16)
    for word, keeps in zip(data, KEEP_DATA, strict=True):
        keep = keeps[count[less]]
        word[less] = (word[less] & keep) | (ZEROS & ~keep)
    payload = np.empty((len(flags), 8), np.uint8)
    try:
        can_id = np.frombuffer(binascii.unhexlify(number.data), ">u4").astype(np.uint32)
        for half, word in enumerate(data):
            payload.view(np.uint32)[:, half] = np.frombuffer(binascii.unhexlify(word.data), np.uint32)
    except binascii.Error:
        return None
    if len(long):
        flags[long] |= EXTENDED
        flags[long[can_id[long] & ERROR_BIT != 0]] |= ERROR
    if int(can_id.max()) > 0x7FF and (can_id > np.where(flags & EXTENDED, ERROR_BIT | IDENTIFIER, 0x7FF)).any():
        return None
    return can_id & np.uint32(IDENTIFIER), (count >> 1).astype(np.uint8), payload
