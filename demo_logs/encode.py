"""Columns to payload matrix, counters and checksums included: the sender's side of many frames of one message."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from herdbook.decoders.arrays import F64, U64, Bool, Bytes
from herdbook.decoders.dbc.messages import Message, Signal
from herdbook.decoders.integrity.checksum import expected_checksum, protection_of

BELOW_63, BELOW_64 = math.nextafter(2.0**63, 0), math.nextafter(2.0**64, 0)  # largest floats that fit
SAFE = 2**61  # differences and doubles of numbers below this fit in 64 bits


def encode(columns: Mapping[str, ArrayLike], message: Message, fill: int = 0) -> Bytes:
    """Payloads, uint8 (frames, width), width 8 or 64: extract() of them gives the columns back.

    Args:
        columns: values in DBC units by signal name, each (frames,) or one number for all. A signal not named
            has raw count 0. Values are rounded to the nearest raw count and held within what the bits carry.
        fill: byte for bits that belong to no signal.
    A multiplexed signal is written only in the frames whose selector asks for it.
    Raises: KeyError for a name the message does not have; ValueError for columns of different lengths.
    """
    for name in columns:
        message.signal(name)
    given = {name: np.atleast_1d(np.asarray(values)) for name, values in columns.items()}
    lengths = {len(v) for v in given.values() if len(v) != 1}
    if len(lengths) > 1:
        raise ValueError(f"message {message.name}: columns of different lengths: {sorted(lengths)}")
    frames = lengths.pop() if lengths else (1 if given else 0)
    payload = np.zeros((frames, 8 if message.length <= 8 else 64), np.uint8)
    payload[:, : message.length] = fill
    present: dict[str, Bool] = {}
    raws: dict[str, U64] = {}
    for signal in sorted(message.signals, key=lambda s: _depth(s, message)):
        values = np.broadcast_to(given.get(signal.name, np.array([_value_of_zero(signal)])), (frames,))
        raws[signal.name] = raw_counts(signal, values)
        present[signal.name] = _present(signal, message, present, given, frames)
        put_bits(payload, signal, raws[signal.name], present[signal.name])
    return payload


def raw_counts(signal: Signal, values: NDArray[np.generic]) -> U64:
    """Nearest raw counts, uint64 two's complement, held within the bits; float bits for float signals."""
    if signal.is_float:
        with np.errstate(all="ignore"):  # of NaN and infinities
            plain = (values.astype(np.float64) - float(signal.offset)) / float(signal.scale)
        return _float_bits(plain, signal.length)
    low, high = signal.raw_range
    if signal.integral and np.issubdtype(values.dtype, np.integer):
        return _whole_counts(values, int(signal.scale), int(signal.offset), low, high)
    counts = np.rint((values.astype(np.float64) - float(signal.offset)) / float(signal.scale))
    counts = np.clip(np.nan_to_num(counts, nan=0.0), float(low), float(high))
    if signal.signed:
        return np.asarray(np.minimum(counts, BELOW_63)).astype(np.int64).view(np.uint64)
    return np.asarray(np.minimum(counts, BELOW_64)).astype(np.uint64)


def _whole_counts(values: NDArray[Any], scale: int, offset: int, low: int, high: int) -> U64:
    """Integers to counts without a detour over floats; Python's own integers where 64 bits do not suffice."""
    if max(abs(scale), abs(offset), *map(abs, _ends(values))) < SAFE:
        counts = values.astype(np.int64)
        if scale != 1 or offset:
            counts = _nearest(counts - offset, scale)
        return np.asarray(np.clip(counts, max(low, -(2**63)), min(high, 2**63 - 1))).view(np.uint64)
    exact = _nearest(values.astype(object) - offset, scale)
    return np.array([min(max(int(n), low), high) % 2**64 for n in exact], np.uint64)


def put_bits(payload: Bytes, signal: Signal, raw: U64, where: Bool) -> None:
    """Write the lowest `length` bits of raw into the frames chosen by `where`; all other bits stay."""
    last = payload.shape[1] - 8
    byte = min(signal.first_bit // 8, last)
    position = signal.first_bit - 8 * byte
    mask = (1 << signal.length) - 1
    bits = raw & np.uint64(mask)
    spare = 64 - position - signal.length
    order = ">u8" if signal.big_endian else "<u8"
    shift = spare if signal.big_endian else position
    _merge(payload=payload, byte=byte, order=order, bits=_shifted(bits, shift), mask=_moved(mask, shift), where=where)
    if spare < 0:  # the ninth byte: the lowest bits (big endian) or the highest (little endian)
        if signal.big_endian:
            _merge(
                payload=payload,
                byte=byte + 8,
                order="u1",
                bits=bits << np.uint64(8 + spare),
                mask=(mask << 8 + spare) & 0xFF,
                where=where,
            )
        else:
            _merge(
                payload=payload,
                byte=byte + 8,
                order="u1",
                bits=bits >> np.uint64(64 - position),
                mask=mask >> (64 - position),
                where=where,
            )


def seal(message: Message, payload: Bytes, first_count: int = 0) -> Bytes:
    """The sender's side: write running counter and checksum into payloads, in place, and return them.

    Raises: NetworkError as protection_of does.
    """
    protection = protection_of(message)
    every = np.ones(len(payload), np.bool_)
    if protection is not None and protection.counter is not None:
        count = (np.arange(len(payload)) + first_count) % protection.counter_values
        put_bits(payload, protection.counter, count.astype(np.uint64), every)
    if protection is not None and protection.nibble is not None:
        put_bits(payload, protection.nibble, np.full(len(payload), protection.data_id >> 8 & 0xF, np.uint64), every)
    if protection is not None and protection.checksum is not None:
        crc = expected_checksum(protection, payload, message.length)
        put_bits(payload, protection.checksum, crc.astype(np.uint64), every)
    return payload


def _merge(payload: Bytes, byte: int, order: str, bits: U64, mask: int, where: Bool) -> None:
    width = int(np.dtype(order).itemsize)
    there = np.ascontiguousarray(payload[:, byte : byte + width]).view(order).reshape(-1)
    limit = (1 << 8 * width) - 1
    merged = (there.astype(np.uint64) & np.uint64(~mask & limit)) | (bits & np.uint64(mask & limit))
    merged = np.where(where, merged, there)
    payload[:, byte : byte + width] = merged.astype(order).view(np.uint8).reshape(len(payload), width)


def _shifted(bits: U64, left: int) -> U64:
    return bits << np.uint64(left) if left >= 0 else bits >> np.uint64(-left)


def _moved(mask: int, left: int) -> int:
    return (mask << left if left >= 0 else mask >> -left) & (2**64 - 1)


def _float_bits(values: F64, length: int) -> U64:
    if length == 64:
        return values.view(np.uint64)
    with np.errstate(over="ignore", invalid="ignore"):
        if length == 32:
            return values.astype(np.float32).view(np.uint32).astype(np.uint64)
        return values.astype(np.float16).view(np.uint16).astype(np.uint64)


def _nearest(counts: NDArray[Any], scale: int) -> NDArray[Any]:
    """counts / scale to the nearest whole number, exact for any integers; ties go down."""
    whole = counts // scale
    rest = counts - whole * scale  # has the sign of scale
    return whole + np.where(2 * abs(rest) > abs(scale), 1, 0)


def _ends(values: NDArray[Any]) -> tuple[int, int]:
    return (int(values.min()), int(values.max())) if values.size else (0, 0)


def _value_of_zero(signal: Signal) -> int | float:
    return int(signal.offset) if signal.integral else float(signal.offset)


def _depth(signal: Signal, message: Message) -> int:
    depth = 0
    while signal.parent is not None and depth <= len(message.signals):
        signal, depth = message.signal(signal.parent), depth + 1
    return depth


def _present(
    signal: Signal,
    message: Message,
    present: Mapping[str, Bool],
    given: Mapping[str, NDArray[np.generic]],
    frames: int,
) -> Bool:
    if signal.parent is None:
        return np.ones(frames, np.bool_)
    selector = message.signal(signal.parent)
    chosen = np.broadcast_to(given.get(selector.name, np.array([_value_of_zero(selector)])), (frames,))
    return present[selector.name] & np.isin(chosen, np.array(sorted(signal.when)))
