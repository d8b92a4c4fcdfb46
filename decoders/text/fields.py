"""Numbers out of text, eight characters of every line at a time.

Eight characters are one 64-bit word, so an array of words holds the same field of all lines, and a handful of integer
operations on it turns text to numbers. Words are little endian: the first character is the lowest byte.
Source of the digit folding: the well-known multiply-and-shift reduction, pairs to fours to eights; from memory.
"""

from __future__ import annotations

import numpy as np

from herdbook.decoders.arrays import I64, U64, Bytes


def _all(byte: int) -> np.uint64:
    return np.uint64(byte * 0x0101_0101_0101_0101)


PAD = 32  # newlines before and behind each block of text, so that a word near its edge can be loaded
ZEROS, HIGH_NIBBLES, LOW_NIBBLES = _all(0x30), _all(0xF0), _all(0x0F)
ONES, SIX, BIT4 = _all(1), _all(6), _all(0x10)
LAST_SIX = np.uint64(0x3030)  # two zeros before six digits
KEEP_FIRST = np.array([(1 << 8 * n) - 1 for n in range(9)], np.uint64)  # n first characters of a word
KEEP_LAST = np.array([((1 << 8 * n) - 1) << 8 * (8 - n) for n in range(9)], np.uint64)


def words_at(text: Bytes, at: I64) -> U64:
    """The eight characters from each position on, shape (n,)."""
    every = np.ndarray((len(text) - 7,), "<u8", text.data, strides=(1,))
    return every[at]


def digits(word: U64) -> tuple[U64, U64]:
    """Eight decimal digits to 0..99999999, and a word that is nonzero where a character is no digit."""
    w = word & LOW_NIBBLES
    bad = ((word & HIGH_NIBBLES) ^ ZEROS) | ((w + SIX) & BIT4)
    w = w * np.uint64(10) + (w >> np.uint64(8))
    pairs = np.uint64(0x0000_00FF_0000_00FF)
    high = (w & pairs) * np.uint64(0x000F_4240_0000_0064)
    low = ((w >> np.uint64(16)) & pairs) * np.uint64(0x0000_2710_0000_0001)
    return (high + low) >> np.uint64(32), bad


def last_digits(word: U64, count: I64) -> tuple[U64, U64]:
    """As digits(), of the last `count` characters, 0 to 8 (more count as 8), as if zeros stood before them."""
    keep = _kept(count, KEEP_LAST)
    return digits((word & keep) | (ZEROS & ~keep))


def first_characters(count: I64) -> U64 | np.uint64:
    """Mask of the first `count` characters of a word, 0 to 8; one for all where all counts are the same."""
    return _kept(count, KEEP_FIRST)


def _kept(count: I64, table: U64) -> U64 | np.uint64:
    if len(count) and (count == count[0]).all():
        return np.uint64(table[min(max(int(count[0]), 0), 8)])
    return np.asarray(table[np.clip(count, 0, 8)])


def same_word(word: U64) -> U64:
    """A single word, shape (1,), in place of an array of equal ones."""
    return word[:1] if len(word) and (word == word[0]).all() else word


def hex_bytes(word: U64, keep: U64 | np.uint64 | None = None) -> tuple[U64, U64]:
    """Eight hexadecimal characters to four bytes, first pair lowest, and a word, nonzero where they are none.

    keep: characters outside this mask count as 0 and are not judged.
    """
    letter = (word >> np.uint64(6)) & ONES
    value = (word & LOW_NIBBLES) + letter * np.uint64(9)
    bad = ((word & ~(letter << np.uint64(5))) & HIGH_NIBBLES) ^ (ZEROS + (letter << np.uint64(4)))
    # a digit's value plus 6 stays below 16, a letter's does not, and neither value reaches 16
    bad |= (((value + SIX) ^ (letter << np.uint64(4))) | value) & BIT4
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
