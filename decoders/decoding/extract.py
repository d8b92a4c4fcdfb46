"""Payload matrix and layout to columns: every frame of a message at once, never one frame at a time.

A frame's bytes are loaded as 64-bit words, once as they lie (little endian) and once reversed (big endian). A signal is
then a shift and a mask of one word; only a signal that spreads over nine bytes needs a ninth byte on top.

    bytes          b0       b1       b2  ...           little-endian word: bit k of byte i is bit 8i + k
    DBC numbering  7 ... 0  15 ... 8  23 ... 16        big-endian word: first_bit counts from the top
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from herdbook.decoders.arrays import F64, I64, U16, U64, Bool, Bytes
from herdbook.decoders.dbc.messages import Message, Number, Signal


@dataclass(frozen=True, slots=True)
class Column:
    """Values of one signal, (frames,) int64, uint64 or float64; valid None: present in every frame."""

    values: I64 | U64 | F64
    valid: Bool | None = None


@dataclass(slots=True)
class Words:
    """64-bit words of a payload matrix, uint8 (frames, width >= 8); each word is loaded at most once."""

    payload: Bytes
    _little: dict[int, U64] = field(default_factory=dict)
    _big: dict[int, U64] = field(default_factory=dict)

    def little(self, byte: int) -> U64:
        if byte not in self._little:
            whole = np.ascontiguousarray(self.payload[:, byte : byte + 8])
            self._little[byte] = whole.view("<u8").reshape(-1)
        return self._little[byte]

    def big(self, byte: int) -> U64:
        if byte not in self._big:
            self._big[byte] = self.little(byte).byteswap()
        return self._big[byte]


def extract(
    message: Message,
    payload: Bytes,
    length: Bytes | U16 | None = None,
    counts: bool = False,
) -> dict[str, Column]:
    """Physical values of every signal of one message.

    Args:
        payload: uint8 (frames, width), width at least 8, zero past each frame's length.
        length: uint8 or uint16 (frames,), data bytes present; None when every frame is as long as the message.
        counts: leave signals that are `counted` as raw counts, int64 or uint64.
    Returns: by signal name, in the order of the layout. A signal is invalid where the frame ends before it, where its
        selector says otherwise, and where the selector has a value that the DBC does not know.
    """
    words, n = Words(payload), len(payload)
    short = None if length is None or not n or int(length.min()) >= message.length else length.astype(np.uint16) * 8
    columns: dict[str, Column] = {}
    by_name = {s.name: s for s in message.signals}
    pending = set(by_name)

    def column(name: str) -> Column:
        if name in columns:
            return columns[name]
        if name not in pending:  # a selector that selects itself, or one that is not there
            return Column(np.zeros(n, np.int64), np.zeros(n, np.bool_))
        pending.discard(name)
        signal = by_name[name]
        valid = None if short is None else short >= signal.end_bit
        if signal.parent is not None:
            valid = _both(valid, _selected(column(signal.parent), signal.when))
        if signal.end_bit <= 8 * payload.shape[1]:
            raw = raw_bits(words, signal)
        else:  # of a message longer than any frame (J1939 transport)
            raw, valid = np.zeros(n, np.uint64), np.zeros(n, np.bool_)
        columns[name] = Column(counted(signal, raw) if counts and signal.counted else scaled(signal, raw), valid)
        return columns[name]

    return {s.name: column(s.name) for s in message.signals}


def raw_bits(words: Words, signal: Signal) -> U64:
    """Raw counts, uint64 (frames,); signed ones sign-extended to 64 bits (two's complement).

    Source: bit numbering as drawn in the cantools Signal documentation.
    """
    last = words.payload.shape[1] - 8
    byte = min(signal.first_bit // 64 * 8, last)  # whole words first: signals share them
    if signal.end_bit > 8 * byte + 64:
        byte = min(signal.first_bit // 8, last)
    position = signal.first_bit - 8 * byte
    spare = 64 - position - signal.length  # bits of the word behind the signal; negative: a ninth byte
    if signal.big_endian:
        word, shift = words.big(byte), spare
        if spare < 0:
            ninth = words.payload[:, byte + 8].astype(np.uint64)
            word, shift = (word << np.uint64(-spare)) | (ninth >> np.uint64(8 + spare)), 0
    else:
        word, shift = words.little(byte), position
        if spare < 0:
            ninth = words.payload[:, byte + 8].astype(np.uint64)
            word, shift = (word >> np.uint64(position)) | (ninth << np.uint64(64 - position)), 0
    return _cut(word, shift, signal.length, signal.signed and not signal.is_float)


def _cut(word: U64, shift: int, length: int, signed: bool) -> U64:
    if signed:
        left = 64 - length - shift
        top = word << np.uint64(left) if left else word
        return np.right_shift(top.view(np.int64), np.int64(64 - length)).view(np.uint64)
    if not shift:
        return word & np.uint64((1 << length) - 1) if length < 64 else word
    out = word >> np.uint64(shift)
    if shift + length < 64:
        out &= np.uint64((1 << length) - 1)
    return out


def scaled(signal: Signal, raw: U64) -> I64 | U64 | F64:
    """raw * scale + offset, with the very roundings of Python's own numbers, so that no bit differs."""
    if signal.is_float:
        with np.errstate(all="ignore"):  # any bits may come: NaN, infinities, products past the range
            return linear(_as_float(raw, signal.length), signal.scale, signal.offset)
    if signal.kind != "float":
        if signal.scale != 1:
            raw = raw * np.uint64(int(signal.scale) % 2**64)
        if signal.offset:
            raw = raw + np.uint64(int(signal.offset) % 2**64)
        return raw.view(np.int64) if signal.kind == "int" else raw
    counts = counted(signal, raw)
    return _in_python(signal, counts) if signal.in_python else linear(counts, signal.scale, signal.offset)


def counted(signal: Signal, raw: U64) -> I64 | U64:
    """Raw counts as numbers: int64, or uint64 for unsigned ones of all 64 bits."""
    return raw.view(np.int64) if signal.signed or signal.length < 64 else raw


def linear(counts: NDArray[Any], scale: Number, offset: Number) -> F64:
    """counts * scale + offset in float64, rounded after each step as Python's floats are. counts: whole or float64."""
    values = counts.astype(np.float64)
    if scale == 1 and offset == 0:
        return values
    values *= np.float64(scale)
    if offset or scale <= 0 or counts.dtype.kind == "f":  # adding zero still turns -0.0 into 0.0
        values += np.float64(offset)
    return values


def _in_python(signal: Signal, counts: I64 | U64) -> F64:
    """Products past 2^53 of an integer factor: whole numbers of any size first, one rounding at the end."""
    exact = counts.astype(object) * signal.scale + signal.offset
    return exact.astype(np.float64)


def _as_float(raw: U64, length: int) -> F64:
    if length == 64:
        return raw.view(np.float64)
    if length == 32:
        return raw.astype(np.uint32).view(np.float32).astype(np.float64)
    return raw.astype(np.uint16).view(np.float16).astype(np.float64)


def _selected(column: Column, when: frozenset[int]) -> Bool:
    if column.values.dtype.kind == "f":
        finite = np.isfinite(column.values) & (np.abs(column.values) < 2.0**62)
        whole = np.where(finite, column.values, -1.0).astype(np.int64)  # towards zero, as int() does
        return _both(column.valid, finite & _is_one_of(whole, when))
    return _both(column.valid, _is_one_of(cast("U64", column.values), when))


def _is_one_of(values: I64 | U64, when: frozenset[int]) -> Bool:
    if len(when) == 1:
        (only,) = when
        return np.asarray(values == only)
    info = np.iinfo(values.dtype)
    return np.isin(values, np.array([w for w in when if info.min <= w <= info.max], values.dtype))


def _both(a: Bool | None, b: Bool) -> Bool:
    return b if a is None else a & b
