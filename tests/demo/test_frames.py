"""Frames of the simulator, decoded by others: cantools signal by signal, and a checksum computed bit by bit."""

from __future__ import annotations

from typing import Any

import numpy as np

from herdbook.decoders.frames import EXTENDED
from tests.demo.conftest import Short, load

FIRST = 40  # frames of each message that are looked at


def test_cantools_decodes_what_was_encoded(short: Short) -> None:
    frames = short.frames
    messages: dict[tuple[int, bool], Any] = {
        (m.frame_id, m.is_extended_frame): m for _, dbc in short.profile.buses for m in load(dbc).messages
    }
    long = (frames.flags & EXTENDED) != 0
    for seen in short.observed:
        message = next(m for m in messages.values() if m.name == seen.message.name)
        rows = np.flatnonzero((frames.can_id == message.frame_id) & (long == message.is_extended_frame))
        np.testing.assert_array_equal(frames.t[rows], seen.t)
        cursor = dict.fromkeys(seen.raw, 0)
        for row in rows[:FIRST]:
            data = frames.payload[row, : frames.length[row]].tobytes()
            decoded = message.decode(data, decode_choices=False, scaling=False)
            for name in set(decoded) & set(seen.raw):
                assert decoded[name] == seen.raw[name][cursor[name]], f"{message.name}.{name}"
                cursor[name] += 1


def crc8_j1850(data: bytes) -> int:
    """Straight from the definition: polynomial 0x1D, start and final 0xFF, one bit at a time."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D) & 0xFF if crc & 0x80 else crc << 1
    return crc ^ 0xFF


def test_checksum_and_counter_of_the_board(short: Short) -> None:
    assert crc8_j1850(b"123456789") == 0x4B  # check value of the published catalogue
    if short.profile.name != "zirbel":
        return
    for can_id in (272, 288, 304, 305, 512, 513):
        rows = np.flatnonzero(short.frames.can_id == can_id)
        payload = short.frames.payload[rows]
        assert all(crc8_j1850(p[:7].tobytes()) == p[7] for p in payload[:200])
        assert set(np.diff(payload[:, 6].astype(int) & 15) % 16) == {1}


def test_rates_are_those_of_a_powertrain(short: Short) -> None:
    assert 200 < len(short.frames) / 60.0 < 600
    assert (np.diff(short.frames.t) >= 0).all()
