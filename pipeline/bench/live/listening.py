"""Listening: frames off one or more buses, into a log and, by a profile, into readings, until it is stopped.

One thread a bus takes frames and nothing else; one turns what has come into lines of the log and into values, a hundred
times a second; one writes. Writing comes before decoding, and a fault in decoding leaves the recording alone. Nothing
here sends a frame.
"""

from __future__ import annotations

import gc
import sys
import threading
import time
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np

from herdbook.decoders.frames import Frames, join_frames, part
from herdbook.pipeline.bench.live.batch import BusClock, faults, frames_of, lines_of
from herdbook.pipeline.bench.live.newest import Newest, Reading
from herdbook.pipeline.bench.live.open_bus import OpenBus
from herdbook.pipeline.bench.live.receive import MOST, Receiver
from herdbook.pipeline.bench.live.recording import Recording, Writing
from herdbook.pipeline.errors import BusError, HerdbookError

PERIOD_S = 0.01
SWITCH_S = 0.001  # Python's threads change places: a receiver must not wait for a batch
SLOWEST_MS = 2000


@dataclass(frozen=True, slots=True)
class Count:
    """What has come so far. lost: dropped by the kernel or by us; overruns: error frames that say that the interface
    itself lost some, nobody knows how many. unknown: frames that no DBC file of the profile knows. rate: frames a
    second, lately. delay_ms: from a frame's time to its decoded value, 99 of 100 frames; None without a profile or with
    a clock that is not this computer's."""

    frames: int
    rate: float
    lost: int
    error_frames: int
    overruns: int
    bus_off: int
    unknown: int
    bytes: int
    delay_ms: float | None


class Listening:
    """start(), then look at count() and readings() from another thread, then stop().

    gone: buses that went away. failed: why the recording ended early (no room, no rights). fault: one of ours that
    ended it. undecoded: why values are no longer shown.
    """

    def __init__(
        self, buses: Sequence[OpenBus], recording: Recording | None, newest: Newest | None, most: int = MOST
    ) -> None:
        self.recording, self.newest = recording, newest
        self._fault: Exception | None = None
        self._writing = Writing(recording) if recording is not None else None
        self._lost: int | None = None
        self.undecoded = ""
        self._receivers = [Receiver(opened, most) for opened in buses]
        self._clocks = [BusClock() for _ in buses]
        self._frames, self._rate = 0, 0.0
        self._errors = np.zeros(3, np.int64)
        self._delays = np.zeros(SLOWEST_MS + 1, np.int64)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._worker = threading.Thread(target=self._work, name="decode", daemon=True)
        self._switch = sys.getswitchinterval()

    def start(self) -> None:
        sys.setswitchinterval(SWITCH_S)
        gc.collect()
        gc.freeze()  # profile and DBC files are not to be looked through again and again while frames come
        for receiver in self._receivers:
            receiver.start()
        self._worker.start()

    def stop(self) -> None:
        """Take no more, write what has come, close log and buses."""
        for receiver in self._receivers:
            receiver.stop()
        self._stop.set()
        self._worker.join()
        if self._writing is not None:
            self._writing.close()
        self._lost = self.lost
        for receiver in self._receivers:
            receiver.opened.close()
        gc.unfreeze()
        sys.setswitchinterval(self._switch)

    @property
    def gone(self) -> list[BusError]:
        return [r.ended for r in self._receivers if r.ended is not None]

    @property
    def failed(self) -> HerdbookError | None:
        ended = self._writing.failed if self._writing else None
        return ended if isinstance(ended, HerdbookError) else None

    @property
    def fault(self) -> Exception | None:
        return self._fault or (self._writing.failed if self._writing and self.failed is None else None)

    @property
    def over(self) -> bool:
        """True when there is nothing left to listen to, or nowhere to write."""
        return bool(self.failed or self.fault) or len(self.gone) == len(self._receivers)

    @property
    def shifted(self) -> list[str]:
        """Labels of buses whose interface counts time from its own start."""
        pairs = zip(self._receivers, self._clocks, strict=True)
        return [r.opened.address.label for r, clock in pairs if clock.shift]

    @property
    def lost(self) -> int:
        if self._lost is not None:
            return self._lost  # the sockets are closed
        unwritten = self._writing.dropped if self._writing else 0
        return unwritten + sum(r.dropped + (r.opened.dropped() or 0) for r in self._receivers)

    def count(self) -> Count:
        errors, overruns, off = self._errors.tolist()
        return Count(
            frames=self._frames,
            rate=self._rate,
            lost=self.lost,
            error_frames=errors,
            overruns=overruns,
            bus_off=off,
            unknown=self.newest.unknown if self.newest else 0,
            bytes=self.recording.size if self.recording else 0,
            delay_ms=self.delay_ms(99.0),
        )

    def delay_ms(self, share: float) -> float | None:
        """That many per cent of the frames were decoded within this time."""
        total = int(self._delays.sum())
        if not total or self.shifted:
            return None
        return float(np.searchsorted(np.cumsum(self._delays), share / 100 * total) + 1)

    def readings(self) -> list[Reading]:
        """Copies, in the order of the profile's roles."""
        if self.newest is None:
            return []
        with self._lock:
            found = [copy(r) for r in self.newest.readings.values()]
            for one in found:
                one.trend = one.trend.copy()
        return found

    def _work(self) -> None:
        try:
            self._batches()
        except Exception as error:  # a thread that dies in silence would look like a quiet bus
            self._fault = error

    def _batches(self) -> None:
        since, seen = time.monotonic(), 0
        while not (stopping := self._stop.wait(PERIOD_S)):
            self._batch()
            if (now := time.monotonic()) - since >= 1.0:
                self._rate = (self._frames - seen) / (now - since)
                since, seen = now, self._frames
        if stopping:
            self._batch()

    def _batch(self) -> None:
        pieces: list[Frames] = []
        for receiver, clock in zip(self._receivers, self._clocks, strict=True):
            if messages := receiver.taken():
                pieces.append(frames_of(messages, receiver.opened.address.label, clock))
        if not pieces or self.failed or self.fault:
            return
        frames = join_frames(pieces)
        if len(pieces) > 1:
            frames = part(frames, np.argsort(frames.t, kind="stable"))
        self._frames += len(frames)
        self._errors += faults(frames)
        if self._writing is not None:
            self._writing.put(lines_of(frames), int(frames.t[0]), len(frames))
        self._decode(frames)

    def _decode(self, frames: Frames) -> None:
        if self.newest is None or self.undecoded:
            return
        try:
            with self._lock:
                self.newest.take(frames)
        except Exception as error:  # the recording is worth more than the view of it
            self.undecoded = f"{type(error).__name__}: {error}"
            return
        delay = (time.time_ns() // 1000 - frames.t) // 1000
        self._delays += np.bincount(np.clip(delay, 0, SLOWEST_MS), minlength=SLOWEST_MS + 1)
