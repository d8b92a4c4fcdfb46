"""The powertrain log that the decoding benchmark reads: made-up traffic of the demo board, in four formats.

Signals walk slowly within their range, as on a road, so that the log packs about as well as a real one.
"""

from __future__ import annotations

import struct
import zlib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from demo_logs.encode import encode, seal
from demo_logs.mf4 import write_mf4
from demo_logs.writers import candump_text
from herdbook.decoders import Frames, Network
from herdbook.decoders.dbc.messages import Signal
from herdbook.decoders.frames import part

START_US = 1_772_352_000_000_000
CONTAINER = 128 * 1024
PIECE = 200_000  # frames turned to text at once


def traffic(network: Network, frames: int, seed: int = 0) -> Frames:
    """About `frames` frames of all cyclic messages, in time order, with 2 per cent jitter."""
    rng = np.random.default_rng(seed)
    cyclic = [m for m in network.messages if m.cycle_ms]
    per_second = sum(1000 / m.cycle_ms for m in cyclic if m.cycle_ms)
    seconds = frames / per_second
    parts = []
    for message in cyclic:
        assert message.cycle_ms
        n = int(seconds * 1000 / message.cycle_ms)
        t = (np.arange(n) * message.cycle_ms * 1000 + rng.normal(0, 20 * message.cycle_ms, n)).astype(np.int64)
        payload = seal(message, encode({s.name: walk(s, n, rng) for s in message.signals}, message))
        parts.append((np.sort(t), np.full(n, message.can_id, np.uint32), payload, np.full(n, message.length, np.uint8)))
    t = np.concatenate([p[0] for p in parts])
    order = np.argsort(t, kind="stable")
    n = len(t)
    return Frames(
        t=START_US + t[order] - t.min(),
        channel=np.zeros(n, np.uint8),
        can_id=np.concatenate([p[1] for p in parts])[order],
        flags=np.zeros(n, np.uint8),
        length=np.concatenate([p[3] for p in parts])[order],
        payload=np.concatenate([p[2] for p in parts])[order],
        channels=("can0",),
    )


def walk(signal: Signal, n: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Values of one signal in its unit: selectors run through their values, all others wander."""
    if signal.selector:
        return np.asarray(np.arange(n) % 3, np.float64)
    low, high = signal.raw_range
    span = float(high - low)
    counts = low + span * (0.5 + 0.2 * np.sin(np.cumsum(rng.normal(0, 1e-3, n))))
    return np.asarray(np.rint(counts) * float(signal.scale) + float(signal.offset), np.float64)


def write_all(frames: Frames, folder: Path) -> dict[str, Path]:
    """The log as .log, .blf (deflate level 6), .asc and .mf4 (transposed and deflated)."""
    paths = {kind: folder / f"ride.{kind}" for kind in ("log", "blf", "asc", "mf4")}
    with paths["log"].open("wb") as log, paths["asc"].open("wb") as asc:
        date = datetime.fromtimestamp(START_US / 1e6, UTC).strftime("%a %b %d %H:%M:%S.000 %Y")
        asc.write(
            f"date {date}\nbase hex  timestamps absolute\nno internal events logged\n"
            f"Begin Triggerblock {date}\n   0.000000 Start of measurement\n".encode()
        )
        for at in range(0, len(frames), PIECE):
            piece = part(frames, slice(at, at + PIECE))
            text = candump_text(piece)
            log.write(text)
            asc.write(asc_text(piece))
        asc.write(b"End TriggerBlock\n")
    write_blf(frames, paths["blf"])
    write_mf4(paths["mf4"], frames)
    return paths


def asc_text(frames: Frames) -> bytes:
    """Lines as python-can's writer has them."""
    lines = [
        f"{(t - START_US) / 1e6: 9.6f} 1  {number:<15X} Rx   d {n} {data[:n].hex(' ').upper()}\n"
        for t, number, n, data in zip(
            frames.t.tolist(),
            frames.can_id.tolist(),
            frames.length.tolist(),
            (row.tobytes() for row in frames.payload),
            strict=True,
        )
    ]
    return "".join(lines).encode()


def write_blf(frames: Frames, path: Path) -> None:
    """Objects of 48 bytes in deflated containers, as python-can's writer has them."""
    kind = np.dtype(
        [
            ("sign", "S4"),
            ("head", "<u2"),
            ("version", "<u2"),
            ("size", "<u4"),
            ("type", "<u4"),
            ("flags", "<u4"),
            ("client", "<u4"),
            ("stamp", "<u8"),
            ("channel", "<u2"),
            ("bits", "u1"),
            ("dlc", "u1"),
            ("id", "<u4"),
            ("data", "u1", 8),
        ]
    )
    objects = np.zeros(len(frames), kind)
    objects["sign"], objects["head"], objects["version"], objects["size"], objects["type"] = b"LOBJ", 32, 1, 48, 1
    objects["flags"], objects["channel"], objects["dlc"] = 2, 1, frames.length
    objects["stamp"] = (frames.t - START_US) * 1000
    objects["id"], objects["data"] = frames.can_id, frames.payload[:, :8]
    stream = objects.tobytes()
    start = datetime.fromtimestamp(START_US / 1e6, UTC)
    when = (start.year, start.month, start.isoweekday() % 7, start.day, start.hour, start.minute, start.second, 0)
    with path.open("wb") as file:
        file.write(struct.pack("<4sL8BQQLL8H8H", b"LOGG", 144, *[0] * 8, 0, len(stream), len(frames), 0, *when, *when))
        file.write(bytes(144 - file.tell()))
        for at in range(0, len(stream), CONTAINER):
            piece = stream[at : at + CONTAINER]
            packed = zlib.compress(piece)
            size = 32 + len(packed)
            file.write(struct.pack("<4sHHLLH6xL4x", b"LOBJ", 16, 1, size, 10, 2, len(piece)) + packed + bytes(size % 4))
