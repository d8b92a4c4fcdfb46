"""Numbers out of text, eight characters of every line at a time.

Eight characters are one 64-bit word, so an array of words holds the same field of all lines, and a handful
of integer operations on it turns text to numbers. Words are little endian: the first character is the lowest
byte. Source of the digit folding: the well-known multiply-and-shift reduction, pairs to fours to eights;
from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

U64 = NDArray[np.uint64]
PAD = 32  # bytes kept free before and behind a block, so that a word near its edge can be loaded


def _all(byte: int) -> np.uint64:
    return np.uint64(byte * 0x0101_0101_0101_0101)


ZEROS, HIGH_NIBBLES, LOW_NIBBLES = _all(0x30), _all(0xF0), _all(0x0F)
ONES, SIX, BIT4 = _all(1), _all(6), _all(0x10)
KEEP_FIRST = np.array([(1 << 8 * n) - 1 for n in range(9)], np.uint64)  # n first characters of a word
KEEP_LAST = np.array([((1 << 8 * n) - 1) << 8 * (8 - n) for n in range(9)], np.uint64)


def padded(block: bytes) -> NDArray[np.uint8]:
    """The block as uint8 with PAD newlines before and behind."""
    edge = b"\n" * PAD
    return np.frombuffer(edge + block + edge, np.uint8)


def words_at(text: NDArray[np.uint8], at: NDArray[np.int64]) -> U64:
    """The eight characters from each position on, shape (n,)."""
    every = np.ndarray((len(text) - 7,), "<u8", text.data, strides=(1,))
    return every[at]


def digits(word: U64) -> tuple[U64, U64]:
    """Eight decimal digits to 0..99999999, and a word that is nonzero where a character is no digit."""
    bad = ((word & HIGH_NIBBLES) ^ ZEROS) | (((word & LOW_NIBBLES) + SIX) & BIT4)
    w = word & LOW_NIBBLES
    w = w * np.uint64(10) + (w >> np.uint64(8))
    pairs = np.uint64(0x0000_00FF_0000_00FF)
    high = (w & pairs) * np.uint64(0x000F_4240_0000_0064)
    low = ((w >> np.uint64(16)) & pairs) * np.uint64(0x0000_2710_0000_0001)
    return (high + low) >> np.uint64(32), bad


def last_digits(word: U64, count: NDArray[np.int64]) -> tuple[U64, U64]:
    """As digits(), of the last `count` characters, 0 to 8, as if zeros stood before them."""
    keep = KEEP_LAST[count]
    return digits((word & keep) | (ZEROS & ~keep))


def first_digits(word: U64, count: int) -> tuple[U64, U64]:
    """As digits(), of the first `count` characters, 1 to 8, zeros behind: a decimal fraction to 8 places."""
    keep = KEEP_FIRST[count]
    return digits((word & keep) | (ZEROS & ~keep))


def hex_bytes(word: U64, keep: U64 | None = None) -> tuple[U64, U64]:
    """Eight hexadecimal characters to four bytes, first pair lowest, and a word, nonzero where they are none.

    keep: characters outside this mask count as 0 and are not judged.
    """
    letter = (word >> np.uint64(6)) & ONES
    nibble = word & LOW_NIBBLES
    bad = ((word & ~(letter << np.uint64(5)) & HIGH_NIBBLES) ^ ZEROS ^ (letter * np.uint64(0x70)))
    bad |= (nibble + SIX + letter * np.uint64(3)) & BIT4
    bad |= letter & ~((nibble + LOW_NIBBLES) >> np.uint64(4))  # "@" and "`": a letter with nibble 0
    value = nibble + letter * np.uint64(9)
    if keep is not None:
        value &= keep
        bad &= keep
    value = ((value << np.uint64(4)) | (value >> np.uint64(8))) & np.uint64(0x00FF_00FF_00FF_00FF)
    value = (value | (value >> np.uint64(8))) & np.uint64(0x0000_FFFF_0000_FFFF)
    return (value | (value >> np.uint64(16))) & np.uint64(0xFFFF_FFFF), bad


def hex_number(word: U64, count: int) -> tuple[U64, U64]:
    """The first `count` characters, 1 to 8, as one hexadecimal number, and the word of faults."""
    shifted = (word << np.uint64(8 * (8 - count))) | (ZEROS & KEEP_FIRST[8 - count]) if count < 8 else word
    value, bad = hex_bytes(shifted)
    return value.astype(np.uint32).byteswap().astype(np.uint64), bad
