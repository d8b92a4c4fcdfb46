"""Frames: the columnar batch of raw CAN frames that every reader yields and every decoder takes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from herdbook.decoders.arrays import I64, U32, Bool, Bytes

EXTENDED = 0x01  # 29-bit identifier
FD = 0x02  # CAN FD frame
BRS = 0x04  # FD: bit rate switched
ESI = 0x08  # FD: sender is error passive
REMOTE = 0x10  # remote frame, no data
ERROR = 0x20  # error frame; never decoded
TX = 0x40  # sent by the logger itself
END = 2**62  # past every time


@dataclass(frozen=True, slots=True)
class Frames:
    """Raw frames in file order; all arrays have the same first dimension n.

    t: int64 microseconds, UTC when the log's clock is absolute, else since the start of the log.
    channel: uint8 index into `channels`, the bus labels as the log names them ("can0", "1").
    can_id: uint32 identifier without flag bits. flags: uint8, the constants above.
    length: uint8 data bytes present, 0 to 64. payload: uint8 (n, width), width 8 or 64, zero past length.
    """

    t: I64
    channel: Bytes
    can_id: U32
    flags: Bytes
    length: Bytes
    payload: Bytes
    channels: tuple[str, ...]

    def __len__(self) -> int:
        return int(self.t.shape[0])


def part(frames: Frames, rows: slice | I64 | Bool) -> Frames:
    """Some rows of a batch."""
    return Frames(
        t=frames.t[rows],
        channel=frames.channel[rows],
        can_id=frames.can_id[rows],
        flags=frames.flags[rows],
        length=frames.length[rows],
        payload=frames.payload[rows],
        channels=frames.channels,
    )


def widened(payload: Bytes, width: int) -> Bytes:
    """The payload matrix with zeros up to `width` bytes."""
    missing = width - payload.shape[1]
    return np.pad(payload, ((0, 0), (0, missing))) if missing > 0 else payload


def join_frames(pieces: list[Frames]) -> Frames:
    """One batch out of several, in order; channels are numbered anew by label."""
    if not pieces:
        return Frames(
            t=np.empty(0, np.int64),
            channel=np.empty(0, np.uint8),
            can_id=np.empty(0, np.uint32),
            flags=np.empty(0, np.uint8),
            length=np.empty(0, np.uint8),
            payload=np.empty((0, 8), np.uint8),
            channels=(),
        )
    labels = tuple(dict.fromkeys(label for p in pieces for label in p.channels))
    width = max(p.payload.shape[1] for p in pieces)
    maps = [np.array([labels.index(c) for c in p.channels] or [0], np.uint8) for p in pieces]
    return Frames(
        t=np.concatenate([p.t for p in pieces]),
        channel=np.concatenate(
            [
                p.channel if p.channels == labels[: len(p.channels)] else m[p.channel]
                for m, p in zip(maps, pieces, strict=True)
            ]
        ),
        can_id=np.concatenate([p.can_id for p in pieces]),
        flags=np.concatenate([p.flags for p in pieces]),
        length=np.concatenate([p.length for p in pieces]),
        payload=np.concatenate([widened(p.payload, width) for p in pieces]),
        channels=labels,
    )


def merged(streams: list[Iterator[Frames]]) -> Iterator[Frames]:
    """Batches of several streams by time, stable; each stream is taken to be in order itself."""
    held: dict[int, Frames] = {}
    waiting = dict(enumerate(streams))
    while held or waiting:
        for i in [i for i in waiting if i not in held]:
            if (frames := next(waiting[i], None)) is None:
                del waiting[i]
            elif len(frames):
                held[i] = frames
        if len(held) < len(waiting) or not held:
            continue  # a stream gave an empty batch: ask it again before anything is passed on
        horizon = min((int(f.t.max()) for i, f in held.items() if i in waiting), default=END)
        ready = []
        for i, frames in list(held.items()):
            n = int(np.searchsorted(np.maximum.accumulate(frames.t), horizon, side="right"))
            ready.append(part(frames, slice(0, n)))
            held[i] = part(frames, slice(n, None))
            if not len(held[i]):
                del held[i]
        joined = join_frames([f for f in ready if len(f)])
        yield part(joined, np.argsort(joined.t, kind="stable")) if len(ready) > 1 else joined
