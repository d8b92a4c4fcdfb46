"""Bus load: the share of time in which bits of frames are on the wire, between two bounds for stuff bits.

Stuff bits depend on every bit of a frame, also on those a log does not keep. So two figures are given: low counts
none, high counts the most that the format allows, one after each run of four bits behind the first:

    classic, 11 bits   47 + 8n bits, up to floor((34 + 8n - 1) / 4) = 8 + 2n more
    classic, 29 bits   67 + 8n bits, up to floor((54 + 8n - 1) / 4) = 13 + 2n more
    FD, 11 bits        17 at the nominal rate; 6 + 8n, stuff count and checksum at the data rate; 12 at the nominal
    FD, 29 bits        19 more at the nominal rate
47, 67 and 12 include the three bits between frames. Error and remote frames count as frames without data.
Source: ISO 11898-1, the classic formulas as common practice has them, the FD layout from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from herdbook.decoders.arrays import I64, Bytes
from herdbook.decoders.frames import BRS, ERROR, EXTENDED, FD, REMOTE

SECOND = 1_000_000
FAST_SHARE = 4  # a bit at the data rate counts as a quarter in the search for the worst second: a usual ratio of rates


@dataclass(frozen=True, slots=True)
class Traffic:
    """Bits of one channel: [low, high at the nominal rate, low, high at the data rate] over the log and in its worst
    second, which begins at peak_t. awake_us: from first to last frame without silences of over a second."""

    channel: str
    frames: int
    awake_us: int
    bits: tuple[int, int, int, int]
    peak_t: int
    peak_bits: tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Load:
    """Share of time, 0 to 1, without stuff bits and with the most there can be; the mean is None for a single frame."""

    mean_low: float | None
    mean_high: float | None
    peak_low: float
    peak_high: float


def load_of(traffic: Traffic, bit_rate: int, data_rate: int | None = None) -> Load:
    """Load at given bit rates [bit/s]; data_rate None: as the other."""

    def busy(bits: tuple[int, int, int, int], high: int) -> float:
        return bits[high] / bit_rate + bits[2 + high] / (data_rate or bit_rate)

    mean = [busy(traffic.bits, i) / (traffic.awake_us / 1e6) if traffic.awake_us else None for i in (0, 1)]
    return Load(mean[0], mean[1], busy(traffic.peak_bits, 0), busy(traffic.peak_bits, 1))


@dataclass(slots=True)
class BusWatch:
    """add() every batch of one channel in order, then traffic()."""

    channel: str
    frames: int = 0
    awake_us: int = 0
    bits: I64 = field(default_factory=lambda: np.zeros(4, np.int64))
    first_second: int = -1
    in_first: I64 = field(default_factory=lambda: np.zeros(4, np.int64))
    one_second: bool = True
    second: int = -1
    in_second: I64 = field(default_factory=lambda: np.zeros(4, np.int64))
    peak_second: int = 0
    peak: I64 = field(default_factory=lambda: np.zeros(4, np.int64))

    def add(self, t: I64, awake_us: int, flags: Bytes, length: Bytes) -> None:
        """t: microseconds (n,), n > 0; awake_us: what they add to the time awake."""
        seconds, bits = second_bits(t, flags, length)
        again = bool(self.frames) and int(seconds[0]) == self.second
        bits_in_all = bits.sum(axis=0)
        if again:
            bits[0] += self.in_second
        self._begin(int(seconds[0]), bits[0], again, len(seconds) == 1)
        self.frames += len(t)
        self.awake_us += awake_us
        self.bits += bits_in_all
        self._compare(seconds, bits)
        self.second, self.in_second = int(seconds[-1]), bits[-1].copy()

    def _begin(self, second: int, bits: I64, again: bool, alone: bool) -> None:
        """Keep the first second apart as long as it lasts: it may have begun in the stretch of the log before ours."""
        if not self.frames or (again and self.one_second):
            self.first_second, self.in_first, self.one_second = second, bits.copy(), alone
        else:
            self.one_second = False

    def _compare(self, seconds: I64, bits: I64) -> None:
        weight = bits[:, 1] + bits[:, 3] // FAST_SHARE
        worst = int(weight.argmax())
        if weight[worst] > self.peak[1] + self.peak[3] // FAST_SHARE:
            self.peak, self.peak_second = bits[worst].copy(), int(seconds[worst])

    def follow(self, later: BusWatch, between_us: int) -> None:
        """What a later stretch of the log counted is ours too. between_us: awake from our last frame to its first."""
        again = bool(self.frames) and later.first_second == self.second
        joint = later.in_first + self.in_second if again else later.in_first
        self._begin(later.first_second, joint, again, later.one_second)
        self.frames += later.frames
        self.awake_us += later.awake_us + between_us
        self.bits += later.bits
        self._compare(np.array([later.first_second, later.peak_second]), np.array([joint, later.peak]))
        self.second, self.in_second = later.second, joint if later.one_second else later.in_second

    def traffic(self) -> Traffic:
        bits, peak = ((int(b[0]), int(b[1]), int(b[2]), int(b[3])) for b in (self.bits, self.peak))
        return Traffic(
            channel=self.channel,
            frames=self.frames,
            awake_us=self.awake_us,
            bits=bits,
            peak_t=self.peak_second * SECOND,
            peak_bits=peak,
        )


def second_bits(t: I64, flags: Bytes, length: Bytes) -> tuple[I64, I64]:
    """Clock seconds in which frames came, (k,), and their bits, (k, 4); a second that comes again is told again."""
    begin = _second_starts(t)
    seconds = t[begin] // SECOND
    bits = np.zeros((len(begin), 4), np.int64)
    if int(np.bitwise_or.reduce(flags)) & (FD | REMOTE | ERROR):
        for high in (0, 1):
            slow, fast = frame_bits(flags, length, stuffed=bool(high))
            bits[:, high], bits[:, 2 + high] = np.add.reduceat(slow, begin), np.add.reduceat(fast, begin)
        return seconds, bits
    count = np.diff(begin, append=len(t))
    data = np.add.reduceat(length, begin, dtype=np.int64)
    long = np.add.reduceat(flags & np.uint8(EXTENDED), begin, dtype=np.int64)
    bits[:, 0] = 47 * count + 20 * long + 8 * data
    bits[:, 1] = 55 * count + 25 * long + 10 * data
    return seconds, bits


def _second_starts(t: I64) -> I64:
    """Rows in which another clock second begins, the first one included."""
    first, last = int(t[0]) // SECOND, int(t[-1]) // SECOND
    if 0 <= last - first <= len(t) and bool((t[1:] >= t[:-1]).all()):
        return np.unique(np.searchsorted(t, np.arange(first, last + 1) * SECOND))
    second = t // SECOND
    return np.concatenate(([0], np.flatnonzero(second[1:] != second[:-1]) + 1))


def frame_bits(flags: Bytes, length: Bytes, stuffed: bool) -> tuple[I64, I64]:
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
