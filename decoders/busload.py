"""Bus load: the share of time in which bits of frames are on the wire, between two bounds for stuff bits.

Stuff bits depend on every bit of a frame, also on those a log does not keep. So two figures are given: low counts
none, high counts the most that the format allows, one after each run of four bits behind the first:

    classic, 11 bits   47 + 8n bits, up to floor((34 + 8n - 1) / 4) more      29 bits   67 + 8n, (54 + 8n - 1) / 4
    FD, 11 bits        17 at the nominal rate; 6 + 8n, stuff count and checksum at the data rate; 12 at the nominal
    FD, 29 bits        19 more at the nominal rate
47, 67 and 12 include the three bits between frames. Error and remote frames count as frames without data.
Source: ISO 11898-1, the classic formulas as common practice has them, the FD layout from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoders.frames import BRS, ERROR, EXTENDED, FD, REMOTE, Frames

I64 = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Framing:
    """Bit rates of a bus. [bit/s]"""

    nominal: int
    data: int | None = None  # None: as nominal


@dataclass(frozen=True, slots=True)
class Load:
    """Share of time, 0 to 1, without stuff bits and with the most there can be; over span_s seconds."""

    low: float
    high: float
    span_s: float


def frame_bits(flags: NDArray[np.uint8], length: NDArray[np.uint8], stuffed: bool) -> tuple[I64, I64]:
    """Bits of each frame at the nominal and at the data rate, (n,) each."""
    n = np.where(flags & (REMOTE | ERROR), 0, length).astype(np.int64) * 8
    extended, fd = (flags & EXTENDED) != 0, (flags & FD) != 0
    classic = np.where(extended, 67, 47) + n
    if stuffed:
        classic += (np.where(extended, 54, 34) + n - 1) // 4
    ahead = np.where(extended, 36, 17)
    checksum = np.where(n > 128, 21 + 4 + 7, 17 + 4 + 6)  # with stuff count and fixed stuff bits
    inside = 5 + n + 1
    if stuffed:
        ahead = ahead + (ahead - 1) // 4
        inside = inside + inside // 4
    inside = inside + checksum
    fast = np.where(fd & ((flags & BRS) != 0), inside, 0)
    return np.where(fd, ahead + 12 + inside - fast, classic), fast


def bus_load(frames: Frames, framing: Framing) -> dict[str, Load]:
    """Load of each channel from its first frame to its last; channels with fewer than two frames are left out."""
    found = {}
    data_rate = framing.data or framing.nominal
    for number, label in enumerate(frames.channels):
        rows = frames.channel == number
        t = frames.t[rows]
        span_s = (int(t.max()) - int(t.min())) / 1e6 if len(t) > 1 else 0.0
        if span_s <= 0:
            continue
        busy = []
        for stuffed in (False, True):
            slow, fast = frame_bits(frames.flags[rows], frames.length[rows], stuffed)
            busy.append(float(slow.sum() / framing.nominal + fast.sum() / data_rate))
        found[label] = Load(busy[0] / span_s, busy[1] / span_s, span_s)
    return found
