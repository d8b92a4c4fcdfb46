"""A batch of python-can's messages as Frames, and as the lines of a log."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

import numpy as np

from herdbook.decoders.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, TX, Frames
from herdbook.pipeline.times import S

ERROR_BIT = 0x2000_0000  # Linux, can/error.h: set in the identifier of an error frame
CONTROLLER, OVERRUN, BUS_OFF = 0x4, 0x1, 0x40  # classes of error frames; in byte 1 of CONTROLLER: it ran over
FAR_S = 60.0  # an interface's clock further from ours counts from its own start


class BusClock:
    """Times of one bus in microseconds UTC. An interface that counts from its own start is set to this computer's clock
    once, at its first frame. shift: what was added, 0 where the interface has our clock. [us]"""

    def __init__(self) -> None:
        self.shift: int | None = None

    def micros(self, seconds: Sequence[float]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        t = np.rint(np.array(seconds, np.float64) * S).astype(np.int64)
        if self.shift is None:
            ahead = time.time_ns() // 1000 - int(t[-1])
            self.shift = ahead if abs(ahead) > FAR_S * S else 0
        return t + self.shift if self.shift else t


def frames_of(messages: Sequence[Any], label: str, clock: BusClock) -> Frames:
    """At least one message; the payload is 64 bytes wide where one of them needs it."""
    n = len(messages)
    data = [b"" if m.is_remote_frame else bytes(m.data or b"")[:64] for m in messages]
    size = [len(d) for d in data]
    width = 8 if max(size) <= 8 else 64
    flags = [
        (EXTENDED if m.is_extended_id else 0)
        | ((FD | (BRS if m.bitrate_switch else 0) | (ESI if m.error_state_indicator else 0)) if m.is_fd else 0)
        | (REMOTE if m.is_remote_frame else 0)
        | (ERROR if m.is_error_frame else 0)
        | (0 if m.is_rx else TX)
        for m in messages
    ]
    asked = [m.dlc if m.is_remote_frame else s for m, s in zip(messages, size, strict=True)]
    return Frames(
        t=clock.micros([m.timestamp for m in messages]),
        channel=np.zeros(n, np.uint8),
        can_id=np.array([m.arbitration_id & 0x1FFF_FFFF for m in messages], np.uint32),
        flags=np.array(flags, np.uint8),
        length=np.array(asked, np.uint8),
        payload=np.frombuffer(b"".join([d.ljust(width, b"\0") for d in data]), np.uint8).reshape(n, width),
        channels=(label,),
    )


def lines_of(frames: Frames) -> bytes:
    """As candump -L writes them; which file formats can be read: decoders/formats/candump."""
    width = frames.payload.shape[1] * 2
    hexed = frames.payload.tobytes().hex().upper()
    labels = frames.channels
    rows = zip(
        frames.t.tolist(),
        frames.channel.tolist(),
        frames.can_id.tolist(),
        frames.flags.tolist(),
        frames.length.tolist(),
        range(0, len(frames) * width, width),
        strict=True,
    )
    return "".join(
        [
            f"({t // S}.{t % S:06d}) {labels[c]} {_identifier(number, flags)}{_mark(flags, n)}"
            f"{'' if flags & REMOTE else hexed[at : at + 2 * n]}{' T' if flags & TX else ''}\n"
            for t, c, number, flags, n, at in rows
        ]
    ).encode("utf-8")


def _identifier(number: int, flags: int) -> str:
    if flags & ERROR:
        return f"{number | ERROR_BIT:08X}"
    return f"{number:08X}" if flags & EXTENDED else f"{number:03X}"


def _mark(flags: int, n: int) -> str:
    if flags & FD:
        return f"##{(1 if flags & BRS else 0) | (2 if flags & ESI else 0)}"
    return f"#R{n}" if flags & REMOTE else "#"


def faults(frames: Frames) -> tuple[int, int, int]:
    """Error frames, and of them those that say that the controller ran over, and that it left the bus."""
    rows = np.flatnonzero(frames.flags & ERROR)
    if not len(rows):
        return 0, 0, 0
    kind = frames.can_id[rows]
    over = (kind & CONTROLLER != 0) & (frames.payload[rows, 1] & OVERRUN != 0)
    return len(rows), int(np.count_nonzero(over)), int(np.count_nonzero(kind & BUS_OFF))
