"""Integrity of messages on the bus: cycle times, alive counters, checksums, carried from batch to batch.

What a message promises is declared in its DBC file. The cycle time is GenMsgCycleTime (ms). Counter and
checksum are declared by message attributes of our own making; a file may leave them out:

    BA_DEF_ BO_ "E2EForm" ENUM "none","counter","sae_j1850","e2e_p1","e2e_p2";
    BA_DEF_ BO_ "E2ECounter" STRING;            name of the counter signal
    BA_DEF_ BO_ "E2EChecksum" STRING;           name of the checksum signal: one whole byte
    BA_DEF_ BO_ "E2EDataID" INT 0 65535;        profile 1
    BA_DEF_ BO_ "E2EDataIDMode" ENUM "both","alternate","low","nibble";    profile 1
    BA_DEF_ BO_ "E2EDataIDNibble" STRING;       profile 1, mode "nibble": name of the signal of four bits
    BA_DEF_ BO_ "E2EDataIDList" STRING;         profile 2: sixteen bytes, "00 01 02 ... 0F"
    BA_DEF_DEF_ "E2EForm" "none";               and so on: "", "", 0, "both", "", ""
    BA_ "E2EForm" BO_ 512 2;                    message 512: SAE J1850; an enum is written as its place
    BA_ "E2ECounter" BO_ 512 "Pack_Counter";
    BA_ "E2EChecksum" BO_ 512 "Pack_Checksum";

    counter    a counter only; it runs over all values of its bits
    sae_j1850  CRC-8 polynomial 0x1D, start and final 0xFF, over all bytes but its own, in order
    e2e_p1     AUTOSAR profile 1: polynomial 0x1D, data ID low then high byte ("alternate": one of them, low
               for even counts; "low": the low one; "nibble": the low one and a zero, while four bits of the
               high one travel in the frame), then the bytes; effective start and final 0x00; counter 0 to 14
    e2e_p2     AUTOSAR profile 2: polynomial 0x2F, start and final 0xFF, bytes, DataIDList[counter]; 0 to 15

The sender's side of all of them is demo_logs.encode.seal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from herdbook.decoders.arrays import I64, Bytes
from herdbook.decoders.dbc.messages import Message
from herdbook.decoders.dbc.network import Network
from herdbook.decoders.decoding.group import Grouped, grouped
from herdbook.decoders.frames import Frames, join_frames
from herdbook.decoders.integrity.busload import BusWatch, Traffic
from herdbook.decoders.integrity.checksum import Protection, counter_of, protection_of, wrong

ENOUGH = 100_000  # frames looked at in one go
SILENCE_US = 1_000_000  # nothing at all on a channel for longer: bus or logger slept; engineering choice
MISSING = 2.5  # cycles without a frame from which on frames count as missed; common practice
MAX_SPACINGS = 1 << 20  # kept a message for median and p99; past this every second one goes


@dataclass(frozen=True, slots=True)
class MessageReport:
    """One message on one channel; times in microseconds as the frames give them.

    None: not declared, or too few frames. missed: frames that should have come by the declared cycle
    time, in gaps of over 2.5 cycles. counter_gaps: steps other than one; counter_repeats: steps of none.
    Sleep of the whole channel is taken out of all of them.
    """

    message: str
    channel: str
    frames: int
    start_t: int
    end_t: int
    cycle_ms: float | None
    median_ms: float | None
    p99_ms: float | None
    missed: int | None
    counter_gaps: int | None
    counter_repeats: int | None
    checksum_failures: int | None


@dataclass(slots=True)
class _Watch:
    """What is known of one message on one channel so far."""

    message: Message
    guard: Protection | None
    frames: int = 0
    start_t: int = 0
    end_t: int = 0
    awake_t: int = 0
    slept: int = 0
    count: int = -1
    missed: int = 0
    gaps: int = 0
    repeats: int = 0
    failures: int = 0
    failed_t: list[I64] = field(default_factory=list)
    stride: int = 1
    spacings: list[I64] = field(default_factory=list)
    kept: int = 0


class IntegrityCheck:
    """add() every batch of a log in order, then report().

    Unknown, error and remote frames count only as activity of the bus.
    protections: by message name, in place of what the DBC declares.
    """

    def __init__(self, network: Network, protections: Mapping[str, Protection] | None = None) -> None:
        self._network = network
        self._guards = {m.name: protection_of(m) for m in network.messages} | dict(protections or {})
        self._held: list[Frames] = []
        self._watches: dict[tuple[int, str], _Watch] = {}
        self._awake: dict[str, tuple[int, int, int]] = {}  # channel: last t, time slept, sleeps
        self._buses: dict[str, BusWatch] = {}

    def add(self, frames: Frames) -> None:
        """Take the next batch of the log; small ones are held until they are worth the work."""
        self._held.append(frames)
        if sum(map(len, self._held)) >= ENOUGH:
            self._flush()

    def _flush(self) -> None:
        if self._held:
            frames, self._held = join_frames(self._held), []
            self._add_batch(grouped(frames, self._network))

    def add_grouped(self, batch: Grouped) -> None:
        """The next batch of the log, its rows grouped already; worth the work from some ten thousand frames on."""
        self._flush()
        self._add_batch(batch)

    def _add_batch(self, batch: Grouped) -> None:
        for number, channel in enumerate(batch.frames.channels):
            here = batch.frames.channel == number
            if here.all():
                self._add_channel(batch, channel, slice(None), None)
            elif here.any():
                self._add_channel(batch, channel, np.flatnonzero(here), np.flatnonzero(here[batch.order]))

    def report(self) -> list[MessageReport]:
        """One row a message and channel seen, in the network's order."""
        self._flush()
        return [_report(key[1], self._watches[key]) for key in sorted(self._watches)]

    def traffic(self) -> list[Traffic]:
        """Bits on each channel, all frames counted, in order of appearance."""
        self._flush()
        return [bus.traffic() for bus in self._buses.values()]

    def failed_since(self) -> dict[str, I64]:
        """Times of frames with a wrong checksum since the last call, by message; empty where a guarded one has none."""
        self._flush()
        found: dict[str, list[I64]] = {}
        for _, watch in sorted(self._watches.items()):
            if watch.guard is not None and watch.guard.checksum is not None:
                found.setdefault(watch.message.name, []).extend(watch.failed_t)
                watch.failed_t = []
        return {name: np.concatenate(some) if some else np.empty(0, np.int64) for name, some in found.items()}

    def _add_channel(self, batch: Grouped, channel: str, rows: I64 | slice, own: I64 | None) -> None:
        """rows: those of the channel among the frames; own: those among the rows by message, None for all."""
        frames = batch.frames
        t = frames.t[rows]
        last, slept, sleeps = self._awake.get(channel, (int(t[0]), 0, 0))
        step = _steps(t, last)
        asleep = (step > SILENCE_US) | (step < 0)
        away, naps = np.array([slept]), np.array([sleeps])  # the same for all rows, or one for each frame of the batch
        if asleep.any():
            away, naps = np.zeros(len(frames), np.int64), np.zeros(len(frames), np.int64)
            away[rows], naps[rows] = slept + np.cumsum(np.where(asleep, step, 0)), sleeps + np.cumsum(asleep)
        end_of = rows if len(away) > 1 else slice(None)
        ends = int(away[end_of][-1]), int(naps[end_of][-1])
        self._awake[channel] = int(t[-1]), *ends
        bus = self._buses.setdefault(channel, BusWatch(channel))
        bus.add(t, int(t[-1]) - last - (ends[0] - slept), frames.flags[rows], frames.length[rows])
        for index, start, end in batch.messages:
            some = slice(start, end) if own is None else own[slice(*np.searchsorted(own, (start, end)))]
            seen = batch.t[some]
            if not len(seen):
                continue
            of_row = batch.order[some] if len(away) > 1 else slice(None)
            watch, nap = self._watch(index, channel), np.broadcast_to(naps[of_row], len(seen))
            _observe(watch, seen, seen - away[of_row])
            _verify(watch, seen, batch.length[some], batch.payload[some], nap)
            watch.slept = int(nap[-1])

    def _watch(self, index: int, channel: str) -> _Watch:
        if (index, channel) not in self._watches:
            message = self._network.messages[index]
            self._watches[index, channel] = _Watch(message, self._guards[message.name])
        return self._watches[index, channel]


def _observe(watch: _Watch, t: I64, awake: I64) -> None:
    """Spacing of frames in the channel's waking time."""
    spacing = _steps(awake, watch.awake_t)
    if watch.frames == 0:
        watch.start_t, spacing = int(t[0]), spacing[1:]
    cycle = watch.message.cycle_ms
    if cycle:
        late = spacing[spacing > MISSING * cycle * 1000]
        watch.missed += int((np.rint(late / (cycle * 1000)) - 1).sum())
    watch.frames += len(t)
    watch.end_t, watch.awake_t = int(t[-1]), int(awake[-1])
    some = spacing[:: watch.stride]
    watch.spacings.append(some)
    watch.kept += len(some)
    if watch.kept > MAX_SPACINGS:
        watch.spacings = [np.concatenate(watch.spacings)[::2]]
        watch.stride, watch.kept = watch.stride * 2, len(watch.spacings[0])


def _verify(watch: _Watch, t: I64, length: Bytes, payload: Bytes, naps: I64) -> None:
    """Counter and checksum of the frames that are long enough to carry them."""
    guard, message = watch.guard, watch.message
    if guard is None:
        return
    long = length >= message.length
    if not long.all():
        t, payload, naps = t[long], payload[long], naps[long]
    if not len(t):
        return
    if guard.counter is not None:
        count = counter_of(guard, payload).astype(np.int64)
        same_wake = _steps(naps, watch.slept) == 0
        step = _steps(count, watch.count) % guard.counter_values
        same_wake[0] &= watch.count >= 0
        watch.repeats += int(np.count_nonzero(same_wake & (step == 0)))
        watch.gaps += int(np.count_nonzero(same_wake & (step > 1)))
        watch.count = int(count[-1])
    if guard.checksum is not None:
        bad = wrong(guard, payload, message.length)
        watch.failures += int(np.count_nonzero(bad))
        watch.failed_t.append(t[bad])


def _steps(values: I64, before: int) -> I64:
    """Difference of each value to the one before it."""
    out = np.empty_like(values)
    out[0] = values[0] - before
    np.subtract(values[1:], values[:-1], out=out[1:])
    return out


def _quantile(ordered: I64, q: float) -> float:
    """As np.quantile, to the last bit; that searches by parts, which takes three times as long as sorting does."""
    at = (len(ordered) - 1) * q
    low, high = int(ordered[int(at)]), int(ordered[min(int(at) + 1, len(ordered) - 1)])
    share = at - int(at)
    return low + (high - low) * share if share < 0.5 else high - (high - low) * (1 - share)


def _report(channel: str, watch: _Watch) -> MessageReport:
    spacing = np.sort(np.concatenate(watch.spacings)) if watch.kept else np.empty(0, np.int64)
    median, p99 = (_quantile(spacing, q) / 1000 if len(spacing) else None for q in (0.5, 0.99))
    guard, cycle = watch.guard, watch.message.cycle_ms
    counted = guard is not None and guard.counter is not None
    return MessageReport(
        message=watch.message.name,
        channel=channel,
        frames=watch.frames,
        start_t=watch.start_t,
        end_t=watch.end_t,
        cycle_ms=cycle,
        median_ms=median,
        p99_ms=p99,
        missed=watch.missed if cycle else None,
        counter_gaps=watch.gaps if counted else None,
        counter_repeats=watch.repeats if counted else None,
        checksum_failures=watch.failures if guard is not None and guard.checksum is not None else None,
    )
