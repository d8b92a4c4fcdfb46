"""Lines of an .asc log that are laid out alike: found once, then read at fixed places, all at once.

       0.019968 1  64              Rx   d 8 64 00 00 00 00 00 00 00  Length = ...
               ^ anchor: the blank behind the time; every other field has a fixed distance from it
Loggers write their fields in columns. The first classic data line of a block shows the distances; a line is read by
them only when every character between the fields is where it should be. All others are left to the general reader.
"""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np

from herdbook.decoders.arrays import I64, U64, Bool, Bytes
from herdbook.decoders.frames import EXTENDED, TX
from herdbook.decoders.reading.rows import Labels, Rows
from herdbook.decoders.text.fields import (
    BIT4,
    HIGH_NIBBLES,
    KEEP_FIRST,
    KEEP_LAST,
    LAST_SIX,
    LOW_NIBBLES,
    ONES,
    PAD,
    SIX,
    ZEROS,
    digits,
    hex_bytes,
    last_digits,
    words_at,
)

SHAPE = re.compile(rb"^ *\d+\.\d{6}( +)(\d{1,3})( +)([0-9A-Fa-f]+x?)( +)[RT]x( +)d ([0-8])(?=\s)", re.MULTILINE)
BLANKS = np.uint64(0x2020_2020_2020_2020)
HIGH_BITS = np.uint64(0x8080_8080_8080_8080)
TRIPLET = np.uint64(0x0000_2000_0020_0000)  # blanks behind the first and the second byte of "XX XX XX"
TRIPLET_DIGITS = np.uint64(0xFFFF_00FF_FF00_FFFF)
KEEP_TRIPLET = np.array([KEEP_FIRST[max(0, min(8, 3 * n - 1))] if n else 0 for n in range(4)], np.uint64)


class Distances(NamedTuple):
    """Distances from the anchor to channel, identifier, direction, type and data; channel digits."""

    channel: int
    digits: int
    identifier: int
    direction: int
    kind: int
    data: int


def distances_in(text: Bytes) -> Distances | None:
    """Distances in the first classic data line of a block; None without one, or when fields are too narrow."""
    found = SHAPE.search(text[PAD : PAD + 65536].tobytes())
    if not found:
        return None
    anchor = found.start(1)
    places = Distances(
        channel=found.start(2) - anchor,
        digits=len(found[2]),
        identifier=found.start(4) - anchor,
        direction=found.end(5) - anchor,
        kind=found.end(6) - anchor,
        data=found.end(7) + 1 - anchor,
    )
    return places if 10 <= places.direction - places.identifier <= 16 else None


def read_aligned(text: Bytes, start: I64, distances: Distances, rows: Rows, labels: Labels) -> Bool:
    """Fill the rows of the lines that begin at `start` and lie by the distances; True where one does."""
    dots: I64 = np.flatnonzero(text == ord("."))
    dot = np.append(dots, len(text) - PAD)[np.searchsorted(dots, start)] if len(dots) != len(start) else dots
    reach = distances.data + 26
    good = (dot > start) & (dot - start <= 16) & (dot + 7 + reach <= len(text))
    anchor = np.where(good, dot + 7, PAD)
    good &= _times(text, start, np.where(good, dot, PAD), rows)
    good &= _between(text, anchor, distances)
    good &= _identifiers(text, anchor, distances, rows)
    good &= _payload(text, anchor + distances.data, rows)
    number = text[anchor + distances.channel].astype(np.uint16) - 48
    good &= number <= 9
    for i in range(1, distances.digits):
        digit = text[anchor + distances.channel + i].astype(np.uint16) - 48
        good &= digit <= 9
        number = number * np.uint16(10) + digit
    rows.channel[good] = labels.of_numbers(number[good])
    return good


def _times(text: Bytes, start: I64, dot: I64, rows: Rows) -> Bool:
    """Seconds with six decimals and nothing but blanks before them on the line."""
    micros, bad = digits((words_at(text, dot + 1) << np.uint64(16)) | LAST_SIX)
    width = dot - start
    seconds, count, fault = _padded_number(words_at(text, dot - 8), np.clip(width, 0, 8))
    good = ((bad | fault) == 0) & (count > 0) & (text[dot + 7] == 32)
    if (width > 8).any():
        more, above, fault = _padded_number(words_at(text, dot - 16), np.clip(width - 8, 0, 8))
        good &= (fault == 0) & ((above == 0) | (count == 8))
        seconds = seconds + more * np.uint64(100_000_000)
    rows.t[:] = (seconds * np.uint64(1_000_000) + micros).view(np.int64)
    return np.asarray(good)


def _padded_number(word: U64, width: I64) -> tuple[U64, I64, U64]:
    """The last `width` characters of each word as blanks and then digits: value, digits, nonzero where they are not."""
    inside = KEEP_LAST[width]
    ink = (word ^ BLANKS) & inside
    blank = ((ink - ONES) & ~ink & HIGH_BITS) & inside
    count = np.where(blank == 0, width, 8 - np.bitwise_count(_spread(blank)).astype(np.int64))
    value, bad = last_digits(word, count)
    return value, count, bad | (ink & ~KEEP_LAST[count])


def _spread(marks: U64) -> U64:
    """One bit for each character up to the highest marked one, as bits to count; marks have bit 7 of their byte."""
    m = marks >> np.uint64(7)
    for step in (8, 16, 32):
        m = m | (m >> np.uint64(step))
    return m & ONES


def _between(text: Bytes, anchor: I64, distances: Distances) -> Bool:
    """Blanks between the fields, a direction, and the type of a data frame."""
    blanks = [
        *range(distances.channel),
        *range(distances.channel + distances.digits, distances.identifier),
        distances.direction - 1,
        *range(distances.direction + 2, distances.kind),
        distances.kind + 1,
        distances.data - 1,
    ]
    good = np.ones(len(anchor), np.bool_)
    for place in blanks:
        good &= text[anchor + place] == 32
    way = text[anchor + distances.direction]
    good &= (text[anchor + distances.direction + 1] == ord("x")) & ((way == ord("R")) | (way == ord("T")))
    return np.asarray(good & (text[anchor + distances.kind] == ord("d")))


def _identifiers(text: Bytes, anchor: I64, distances: Distances, rows: Rows) -> Bool:
    """Hexadecimal digits from the left of the field, perhaps an x, then blanks to its end."""
    low, high = words_at(text, anchor + distances.identifier), words_at(text, anchor + distances.identifier + 8)
    empty = low ^ BLANKS
    blank = (empty - ONES) & ~empty & HIGH_BITS
    lowest = blank & (~blank + np.uint64(1))
    count = np.where(blank == 0, 8, np.bitwise_count(lowest - np.uint64(1)).astype(np.int64) >> 3)
    rest = KEEP_FIRST[distances.direction - distances.identifier - 8]
    over = (high ^ BLANKS) & rest
    full = blank == 0
    long_full = full & (high & np.uint64(0xFF) == ord("x"))
    over = np.where(long_full, over & ~np.uint64(0xFF), over)
    good = ((empty & ~KEEP_FIRST[count]) == 0) & (over == 0) & (count > 0)
    last = text[anchor + distances.identifier + count - 1] | 0x20
    short_x = ~long_full & (last == ord("x"))
    count = count - short_x
    long = long_full | short_x
    missing = np.uint64(8) * np.clip(8 - count, 0, 7).astype(np.uint64)
    word = (low << missing) | (ZEROS & ((np.uint64(1) << missing) - np.uint64(1)))
    value, bad = hex_bytes(word)
    number = value.astype(np.uint32).byteswap()
    rows.can_id[:] = number
    way = text[anchor + distances.direction]
    rows.flags[:] = np.where(long, EXTENDED, 0) | np.where(way == ord("T"), TX, 0)
    return np.asarray(good & (bad == 0) & (count > 0) & (number <= np.where(long, 0x1FFF_FFFF, 0x7FF)))


def _payload(text: Bytes, at: I64, rows: Rows) -> Bool:
    """A digit 0 to 8 two places before, then so many pairs of hexadecimal digits with one blank between them."""
    size = text[at - 2].astype(np.int64) - 48
    good = (size >= 0) & (size <= 8)
    size = np.clip(size, 0, 8)
    good &= text[at + np.maximum(3 * size - 1, 0)] <= 32
    payload = np.zeros(len(at), np.uint64)
    bad = np.zeros(len(at), np.uint64)
    for k in range(3):
        word = words_at(text, at + 9 * k)
        keep = KEEP_TRIPLET[np.clip(size - 3 * k, 0, 3)]
        three, fault = _triplet(word, keep)
        bad |= fault
        if k:  # the blank before this triplet
            bad |= np.where(size > 3 * k, text[at + 9 * k - 1] ^ np.uint8(32), np.uint8(0))
        payload |= three << np.uint64(24 * k)
    rows.payload.view("<u8")[:, 0] = payload
    rows.length[:] = size
    return np.asarray(good & (bad == 0))


def _triplet(word: U64, keep: U64) -> tuple[U64, U64]:
    """Up to three bytes out of "XX XX XX", the first lowest; and a word that is nonzero where they are none."""
    fault = ((word ^ TRIPLET) & ~TRIPLET_DIGITS) & keep
    spread = (word & TRIPLET_DIGITS) | (ZEROS & ~TRIPLET_DIGITS)
    letter = (spread >> np.uint64(6)) & ONES
    value = (spread & LOW_NIBBLES) + letter * np.uint64(9)
    wrong = ((spread & ~(letter << np.uint64(5))) & HIGH_NIBBLES) ^ (ZEROS + (letter << np.uint64(4)))
    wrong |= (((value + SIX) ^ (letter << np.uint64(4))) | value) & BIT4
    value &= keep
    pair = (value << np.uint64(4)) | (value >> np.uint64(8))
    three = (
        (pair & np.uint64(0xFF))
        | (pair >> np.uint64(16) & np.uint64(0xFF00))
        | (pair >> np.uint64(32) & np.uint64(0xFF_0000))
    )
    return three, fault | (wrong & keep)
