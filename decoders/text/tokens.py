"""Words of every line of a text block at once: where they begin and end, and what numbers they make."""

from __future__ import annotations

import numpy as np

from herdbook.decoders.arrays import I64, U16, U32, Bool, Bytes
from herdbook.decoders.text.fields import PAD, ZEROS, hex_bytes, last_digits, words_at

BAD_PAIR = 256


def _pair_table() -> U16:
    """Two characters as one little-endian number to the byte they write in hexadecimal; " 7" counts as "07"."""
    value = np.full(256, BAD_PAIR, np.uint16)
    for character in b"0123456789ABCDEFabcdef":
        value[character] = int(chr(character), 16)
    high = value.copy()
    high[[0x20, 0x09]] = 0
    pairs = high[None, :] * np.uint16(16) + value[:, None]
    sound = (high[None, :] < 16) & (value[:, None] < 16)
    return np.where(sound, pairs, BAD_PAIR).astype(np.uint16).reshape(-1)


HEX_PAIRS = _pair_table()


class Lines:
    """The lines of a block that hold anything; word k of line i is the token first[i] + k, if k < count[i].

    text: a block with PAD newlines around it; start, end: positions in it, shape (tokens,).
    offset(i): where line i begins within the block.
    """

    def __init__(self, text: Bytes) -> None:
        self.text = text
        ink = (text > 32) | (text < 9) | ((text > 13) & (text < 32))  # a control character is damage, and no blank
        edges: I64 = np.flatnonzero(ink[1:] != ink[:-1]) + 1
        self.start, self.end = edges[0::2], edges[1::2]
        ends: I64 = np.flatnonzero(self.text[PAD:] == 10) + PAD
        until = np.searchsorted(self.start, ends)
        count = np.diff(until, prepend=0)
        some = count > 0
        self.count: I64 = count[some]
        self.first: I64 = (until - count)[some]
        self._ends = ends[some]

    def __len__(self) -> int:
        return len(self.first)

    def line(self, i: int) -> bytes:
        """Text of line i from its first word on."""
        return self.text[self.start[self.first[i]] : self._ends[i]].tobytes()

    def word(self, token: int) -> bytes:
        """Text of one token."""
        return self.text[self.start[token] : self.end[token]].tobytes()

    def offset(self, i: int) -> int:
        return int(self.start[self.first[i]]) - PAD

    def token(self, k: int | I64, lines: I64) -> I64:
        """Token numbers of word k of some lines; any valid number where the line is shorter."""
        return np.asarray(np.minimum(self.first[lines] + k, len(self.start) - 1))

    def has(self, token: I64, text: bytes) -> Bool:
        """True where a token is this text; case matters."""
        same = self.end[token] - self.start[token] == len(text)
        for i, character in enumerate(text):
            same &= self.text[self.start[token] + i] == character
        return np.asarray(same)

    def size(self, token: I64) -> I64:
        return np.asarray(self.end[token] - self.start[token])

    def last(self, token: I64) -> Bytes:
        """Last character of each token."""
        return np.asarray(self.text[self.end[token] - 1])

    def initial(self, token: I64) -> Bytes:
        """First character of each token."""
        return np.asarray(self.text[self.start[token]])

    def whole(self, token: I64) -> tuple[I64, Bool]:
        """Decimal numbers of up to 16 digits, and where they are numbers."""
        return self.digits(self.start[token], self.end[token])

    def hexadecimal(self, start: I64, end: I64) -> tuple[U32, Bool]:
        """Numbers of 1 to 8 hexadecimal digits between positions, and where they are numbers."""
        count = end - start
        missing = np.uint64(8) * np.clip(8 - count, 0, 7).astype(np.uint64)
        word = words_at(self.text, start) << missing
        word |= ZEROS & ((np.uint64(1) << missing) - np.uint64(1))
        value, bad = hex_bytes(word)
        return value.astype(np.uint32).byteswap(), (bad == 0) & (count >= 1) & (count <= 8)

    def micros(self, token: I64, scale: int = 1_000_000, pointed: bool = False) -> tuple[I64, Bool]:
        """Decimal fractions times `scale` (1e6: seconds to microseconds; 1e3: milliseconds), to the nearest. pointed:
        a number without a point is none."""
        start, end = self.start[token], self.end[token]
        value, good = np.zeros(len(token), np.int64), np.zeros(len(token), np.bool_)
        left = np.arange(len(token))
        for decimals in (6, 3, 4, 1, 5, 2, 7, 8, 9, 0):
            if not len(left) or (pointed and not decimals):
                break
            dot = end[left] - 1 - decimals
            here = (self.text[dot] == ord(".")) & (dot > start[left]) if decimals else np.ones(len(left), np.bool_)
            some = left[here]
            before = end[some] - 1 - decimals if decimals else end[some]
            whole, sound = self.digits(start[some], before)
            fraction, sound_too = self.digits(before + 1, end[some]) if decimals else (np.int64(0), sound)
            unit = 10**decimals
            value[some] = whole * scale + (fraction * scale + unit // 2) // unit
            good[some] = sound & sound_too & (whole < 2**62 // scale)
            left = left[~here]
        return value, good

    def digits(self, start: I64, end: I64) -> tuple[I64, Bool]:
        """Decimal numbers of 1 to 16 digits between positions, and where they are numbers."""
        count = end - start
        low, bad_low = last_digits(words_at(self.text, end - 8), np.clip(count, 0, 8))
        good = (bad_low == 0) & (count >= 1) & (count <= 16)
        if count.max(initial=0) > 8:
            high, bad_high = last_digits(words_at(self.text, end - 16), np.clip(count - 8, 0, 8))
            low = low + high * np.uint64(100_000_000)
            good &= bad_high == 0
        return low.view(np.int64), good

    def data_bytes(self, first: I64, count: I64, hexadecimal: bool = True) -> tuple[Bytes, Bool]:
        """Payloads of `count` tokens from `first` on, one byte each: uint8 (n, widest rounded up to 8 or 64)."""
        most = int(count.max(initial=0))
        out = np.zeros((len(first), 8 if most <= 8 else 64), np.uint8)
        good = np.ones(len(first), np.bool_)
        if not most:
            return out, good
        column = np.arange(most)
        token = np.minimum(first[:, None] + column, len(self.start) - 1)
        wanted = column < count[:, None]
        end, size = self.end[token], self.size(token)
        if hexadecimal:
            pairs = np.ndarray((len(self.text) - 1,), "<u2", self.text.data, strides=(1,))
            value = HEX_PAIRS[pairs[end - 2]]
            sound = (value < BAD_PAIR) & (size <= 2)
        else:
            number, is_number = self.digits(self.start[token].reshape(-1), end.reshape(-1))
            value = number.reshape(token.shape).astype(np.uint16)
            sound = is_number.reshape(token.shape) & (number.reshape(token.shape) < 256)
        out[:, :most] = np.where(wanted, value, 0)
        good &= (sound | ~wanted).all(axis=1)
        return out, good
