"""What is counted of one message on one channel, batch by batch, and how two stretches of a log are counted as one."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from herdbook.decoders.arrays import I64, Bool, Bytes
from herdbook.decoders.dbc.messages import Message
from herdbook.decoders.integrity.checksum import Protection, counter_of, wrong
from herdbook.decoders.integrity.spacings import Spacings

MISSING = 2.5  # cycles without a frame from which on frames count as missed; common practice


@dataclass(slots=True)
class Watch:
    """So far. awake_t: time of the last frame without the channel's sleep before it. count, nap: counter of the last
    frame that carries one, and how often the channel had slept by then; -1: no such frame. first_...: of the first."""

    frames: int = 0
    start_t: int = 0
    end_t: int = 0
    first_awake_t: int = 0
    awake_t: int = 0
    first_nap: int = 0
    nap: int = 0
    first_count: int = -1
    count: int = -1
    missed: int = 0
    gaps: int = 0
    repeats: int = 0
    failures: int = 0
    spacings: Spacings = field(default_factory=Spacings)

    def observe(self, message: Message, t: I64, awake: I64) -> None:
        """Spacing of frames in the channel's waking time."""
        spacing = steps(awake, self.awake_t)
        if self.frames == 0:
            self.start_t, self.first_awake_t, spacing = int(t[0]), int(awake[0]), spacing[1:]
        self.frames += len(t)
        self.end_t, self.awake_t = int(t[-1]), int(awake[-1])
        self._space(message, spacing)

    def _space(self, message: Message, spacing: I64) -> None:
        if cycle := message.cycle_ms:
            late = spacing[spacing > MISSING * cycle * 1000]
            self.missed += int((np.rint(late / (cycle * 1000)) - 1).sum())
        self.spacings.add(spacing)

    def verify(self, message: Message, guard: Protection, length: Bytes, payload: Bytes, naps: I64) -> Bool | None:
        """Counter and checksum of the frames that are long enough to carry them. Returns: whether the checksum is
        wrong, (n,); None where there is none."""
        long = length >= message.length
        whole = bool(long.all())
        if not whole:
            payload, naps = payload[long], naps[long]
        if guard.counter is not None and len(payload):
            count = counter_of(guard, payload).astype(np.int64)
            if self.count < 0:
                self.first_count, self.first_nap = int(count[0]), int(naps[0])
            self._count(guard, steps(count, self.count), steps(naps, self.nap) == 0)
            self.count, self.nap = int(count[-1]), int(naps[-1])
        if guard.checksum is None:
            return None
        bad = wrong(guard, payload, message.length)
        self.failures += int(np.count_nonzero(bad))
        if whole:
            return bad
        every = np.zeros(len(long), np.bool_)
        every[long] = bad
        return every

    def _count(self, guard: Protection, step: I64, same_wake: Bool) -> None:
        if self.count < 0:
            same_wake[0] = False
        step = step % guard.counter_values
        self.repeats += int(np.count_nonzero(same_wake & (step == 0)))
        self.gaps += int(np.count_nonzero(same_wake & (step > 1)))

    def moved(self, slept: int, naps: int) -> Watch:
        """As if its channel had slept for so long, and so often, before it."""
        self.first_awake_t, self.awake_t = self.first_awake_t - slept, self.awake_t - slept
        self.first_nap, self.nap = self.first_nap + naps, self.nap + naps
        return self

    def follow(self, message: Message, guard: Protection | None, later: Watch) -> None:
        """What a later stretch counted, moved() to where we end, is ours as well."""
        self._space(message, np.array([later.first_awake_t - self.awake_t]))
        if guard is not None and guard.counter is not None and later.count >= 0:
            step, same = later.first_count - self.count, later.first_nap == self.nap
            self._count(guard, np.array([step]), np.array([same]))
            if self.count < 0:
                self.first_count, self.first_nap = later.first_count, later.first_nap
            self.count, self.nap = later.count, later.nap
        self.frames += later.frames
        self.end_t, self.awake_t = later.end_t, later.awake_t
        self.missed += later.missed
        self.gaps, self.repeats = self.gaps + later.gaps, self.repeats + later.repeats
        self.failures += later.failures
        self.spacings.join(later.spacings)


def steps(values: I64, before: int) -> I64:
    """Difference of each value to the one before it."""
    out = np.empty_like(values)
    out[0] = values[0] - before
    np.subtract(values[1:], values[:-1], out=out[1:])
    return out
