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
from typing import Any

import numpy as np

from herdbook.decoders.arrays import I64, Bool
from herdbook.decoders.dbc.network import Network
from herdbook.decoders.decoding.group import Grouped, grouped
from herdbook.decoders.frames import Frames, join_frames
from herdbook.decoders.integrity.busload import BusWatch, Traffic
from herdbook.decoders.integrity.checksum import Protection, protection_of
from herdbook.decoders.integrity.watch import Watch, steps

ENOUGH = 100_000  # frames looked at in one go
SILENCE_US = 1_000_000  # nothing at all on a channel for longer: bus or logger slept; engineering choice


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
class Watched:
    """What a check has counted: watches by index of the message and channel, last time, time slept and sleeps by
    channel, and the first time; bits of each channel."""

    watches: dict[tuple[int, str], Watch] = field(default_factory=dict)
    awake: dict[str, tuple[int, int, int]] = field(default_factory=dict)
    begun: dict[str, int] = field(default_factory=dict)
    buses: dict[str, BusWatch] = field(default_factory=dict)


class IntegrityCheck:
    """add() every batch of a log in order, then report().

    Unknown, error and remote frames count only as activity of the bus.
    protections: by message name, in place of what the DBC declares.
    """

    def __init__(self, network: Network, protections: Mapping[str, Protection] | None = None) -> None:
        self._network = network
        self._guards = {m.name: protection_of(m) for m in network.messages} | dict(protections or {})
        self._held: list[Frames] = []
        self._so_far = Watched()

    def add(self, frames: Frames) -> None:
        """Take the next batch of the log; small ones are held until they are worth the work."""
        self._held.append(frames)
        if sum(map(len, self._held)) >= ENOUGH:
            self._flush()

    def _flush(self) -> None:
        if self._held:
            frames, self._held = join_frames(self._held), []
            self._add_batch(grouped(frames, self._network))

    def add_grouped(self, batch: Grouped) -> dict[int, Bool]:
        """The next batch of the log, its rows grouped already; worth the work from some ten thousand frames on.

        Returns: by index of each message with a checksum, whether that of a row is wrong, (rows of it in the batch,).
        """
        self._flush()
        return self._add_batch(batch)

    def _add_batch(self, batch: Grouped) -> dict[int, Bool]:
        wrong: dict[int, Bool] = {}
        for number, channel in enumerate(batch.frames.channels):
            here = batch.frames.channel == number
            if here.all():
                self._add_channel(batch, channel, slice(None), None, wrong)
            elif here.any():
                self._add_channel(batch, channel, np.flatnonzero(here), np.flatnonzero(here[batch.order]), wrong)
        return wrong

    def watched(self) -> Watched:
        """What was counted so far, to be sent to another process."""
        self._flush()
        for watch in self._so_far.watches.values():
            watch.spacings.fold()
        return self._so_far

    def follow(self, later: Watched) -> None:
        """Count what another check counted in the stretch of the log behind ours, as if we had."""
        self._flush()
        mine = self._so_far
        moved: dict[str, tuple[int, int]] = {}
        for channel, (end, slept, naps) in later.awake.items():
            last, our_slept, our_naps = mine.awake.get(channel, (later.begun[channel], 0, 0))
            step = later.begun[channel] - last
            if _asleep(step):
                our_slept, our_naps = our_slept + step, our_naps + 1
            moved[channel] = our_slept, our_naps
            mine.begun.setdefault(channel, later.begun[channel])
            mine.awake[channel] = end, our_slept + slept, our_naps + naps
            bus = mine.buses.setdefault(channel, BusWatch(channel))
            bus.follow(later.buses[channel], 0 if _asleep(step) else step)
        for key, watch in later.watches.items():
            watch.moved(*moved[key[1]])
            if key in mine.watches:
                message = self._network.messages[key[0]]
                mine.watches[key].follow(message, self._guards[message.name], watch)
            else:
                mine.watches[key] = watch

    def report(self) -> list[MessageReport]:
        """One row a message and channel seen, in the network's order."""
        self._flush()
        return [self._report(*key) for key in sorted(self._so_far.watches)]

    def traffic(self) -> list[Traffic]:
        """Bits on each channel, all frames counted, in order of appearance."""
        self._flush()
        return [bus.traffic() for bus in self._so_far.buses.values()]

    def _add_channel(
        self, batch: Grouped, channel: str, rows: I64 | slice, own: I64 | None, wrong: dict[int, Bool]
    ) -> None:
        """rows: those of the channel among the frames; own: those among the rows by message, None for all. wrong: told
        of checksums."""
        frames = batch.frames
        t = frames.t[rows]
        last, slept, sleeps = self._so_far.awake.get(channel, (int(t[0]), 0, 0))
        self._so_far.begun.setdefault(channel, int(t[0]))
        asleep = _asleep(step := steps(t, last))
        away, naps = np.array([slept]), np.array([sleeps])  # the same for all rows, or one for each frame of the batch
        if asleep.any():
            away, naps = np.zeros(len(frames), np.int64), np.zeros(len(frames), np.int64)
            away[rows], naps[rows] = slept + np.cumsum(np.where(asleep, step, 0)), sleeps + np.cumsum(asleep)
        end_of = rows if len(away) > 1 else slice(None)
        ends = int(away[end_of][-1]), int(naps[end_of][-1])
        self._so_far.awake[channel] = int(t[-1]), *ends
        bus = self._so_far.buses.setdefault(channel, BusWatch(channel))
        bus.add(t, int(t[-1]) - last - (ends[0] - slept), frames.flags[rows], frames.length[rows])
        for index, start, end in batch.messages:
            some = slice(start, end) if own is None else own[slice(*np.searchsorted(own, (start, end)))]
            seen = batch.t[some]
            if not len(seen):
                continue
            of_row = batch.order[some] if len(away) > 1 else slice(None)
            message = self._network.messages[index]
            watch, guard = self._so_far.watches.setdefault((index, channel), Watch()), self._guards[message.name]
            watch.observe(message, seen, seen - away[of_row])
            if guard is None:
                continue
            nap = np.broadcast_to(naps[of_row], len(seen))
            bad = watch.verify(message, guard, batch.length[some], batch.payload[some], nap)
            if bad is not None:
                at = slice(None) if own is None else own[slice(*np.searchsorted(own, (start, end)))] - start
                wrong.setdefault(index, np.zeros(end - start, np.bool_))[at] = bad

    def _report(self, index: int, channel: str) -> MessageReport:
        message, watch = self._network.messages[index], self._so_far.watches[index, channel]
        median, p99 = (None if q is None else q / 1000 for q in watch.spacings.quantile(0.5, 0.99))
        guard, cycle = self._guards[message.name], message.cycle_ms
        counted = guard is not None and guard.counter is not None
        return MessageReport(
            message=message.name,
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


def _asleep(step: Any) -> Any:
    """Whether the channel slept, or its clock was set, between two frames; for numbers and arrays."""
    return (step > SILENCE_US) | (step < 0)
