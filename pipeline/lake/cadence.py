"""Cadence and integrity of every message over a stretch: frames missed, counters that step wrongly, wrong checksums.

Counted from the rows of the lake, with each frame once, so that the figures do not depend on how a stretch is cut
into logs. The ledger's log_messages has the same per log, as it was met.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from herdbook.decoders import Message
from herdbook.decoders.decoding.extract import Column
from herdbook.decoders.integrity.checksum import Protection, protection_of
from herdbook.pipeline.lake.layout import CHECKSUM_OK
from herdbook.pipeline.lake.merge_samples import Samples, merge
from herdbook.pipeline.lake.part import Part, Piece
from herdbook.pipeline.lake.read import LogRef
from herdbook.pipeline.spans import outside
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import US

SILENCE_US = 1_000_000  # nothing on any bus for longer: the bus slept, no message is missed
MISSING = 2.5  # cycles without a frame from which on frames count as missed; common practice
SCHEMA = {
    "message": pl.String,
    "frames": pl.Int64,
    "start_t": pl.Int64,
    "end_t": pl.Int64,
    "missed": pl.Int64,
    "counter_gaps": pl.Int64,
    "counter_repeats": pl.Int64,
    "checksum_failures": pl.Int64,
}


class Cadence:
    """Looks on while the parts of a stretch are read (pipeline/lake/read.py), then counts."""

    def __init__(self, profiles: Iterable[Profile]) -> None:
        self.by_name = {p.name: p for p in profiles}
        self.about: dict[str, tuple[Message, Protection | None]] = {}
        self.pieces: dict[str, list[Samples]] = {}

    def wanted(self, part: Part, ref: LogRef) -> dict[str, list[str]]:
        """Counter and checksum of every message in the part."""
        messages = self.by_name[ref.profile].network().by_name
        out = {}
        for name in {b.message for b in part.blocks if b.log == ref.log} & set(messages):
            guard = protection_of(messages[name])
            self.about[name] = messages[name], guard
            extra = [guard.counter.name] if guard and guard.counter else []
            out[name] = [c for c in (*extra, CHECKSUM_OK) if f"{name}.{c}" in part.columns]
        return out

    def take(self, ref: LogRef, piece: Piece) -> None:
        """Times of a message's frames, each with 2 * counter + (checksum right) as its value."""
        guard = self.about[piece.message][1]
        sound = CHECKSUM_OK in piece.columns
        value = _filled(piece.columns[CHECKSUM_OK], 1.0) if sound else np.ones(len(piece.t))
        if guard and guard.counter and guard.counter.name in piece.columns:
            value = value + 2 * _filled(piece.columns[guard.counter.name], 0.0)
        samples = outside((piece.t, value), list(ref.doubts))
        if len(samples[0]):
            self.pieces.setdefault(piece.message, []).append(samples)

    def rows(self) -> pl.DataFrame:
        """One row a message seen, in SCHEMA, times as US.

        missed: null without a declared cycle; counter_*, checksum_failures: null where the DBC declares none.
        """
        about, frames = self.about, {}
        for name, some in sorted(self.pieces.items()):
            frames[name] = merge(some, (about[name][0].cycle_ms or 0) * 1000 or None)
        awake = Awake([t for t, _ in frames.values()])
        rows = [_count(name, *about[name], *frames[name], awake) for name in frames if len(frames[name][0])]
        counts = pl.DataFrame(rows, schema=SCHEMA, orient="row")
        for name in ("start_t", "end_t"):
            counts.replace_column(counts.get_column_index(name), counts[name].cast(US))
        return counts


def _filled(column: Column, absent: float) -> NDArray[np.float64]:
    """Values as float64, with another number where the signal is absent."""
    found = column.values.astype(np.float64)
    return found if column.valid is None else np.where(column.valid, found, absent)


class Awake:
    """Time without the stretches in which all buses slept."""

    def __init__(self, times: Sequence[NDArray[np.int64]]) -> None:
        t = np.sort(np.concatenate(times)) if times and not _never_silent(times) else np.empty(0, np.int64)
        step = t[1:] - t[:-1]
        asleep = np.flatnonzero(step > SILENCE_US)
        self.woke = t[1:][asleep]
        self.slept = np.concatenate(([0], np.cumsum(step[asleep])))

    def of(self, t: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64] | None]:
        """Waking time, and how often the buses had slept (None: never), at times that are among those given."""
        if not len(self.woke):
            return t, None
        naps = np.searchsorted(self.woke, t, side="right")
        return t - self.slept[naps], naps


def _never_silent(times: Sequence[NDArray[np.int64]]) -> bool:
    """Whether one message alone shows it: the usual case, without sorting all frames."""
    first, last = min(t[0] for t in times), max(t[-1] for t in times)
    ends = (t for t in times if t[0] - first <= SILENCE_US and last - t[-1] <= SILENCE_US)
    return any((t[1:] - t[:-1]).max(initial=0) <= SILENCE_US for t in ends)


def _count(
    name: str, message: Message, guard: Protection | None, t: NDArray[np.int64], v: NDArray[np.float64], awake: Awake
) -> tuple[object, ...]:
    waking, naps = awake.of(t)
    missed = gaps = repeats = failures = None
    if message.cycle_ms:
        spacing = waking[1:] - waking[:-1]
        late = spacing[spacing > MISSING * message.cycle_ms * 1000]
        missed = int((np.rint(late / (message.cycle_ms * 1000)) - 1).sum())
    value = v.astype(np.int64)
    if guard and guard.counter:
        counter, around = value >> 1, guard.counter_values
        step = counter[1:] - counter[:-1]
        step = step % around if around & (around - 1) else step & (around - 1)  # a power of two, as most: no division
        if naps is not None:
            step = step[naps[1:] == naps[:-1]]
        gaps, repeats = int(np.count_nonzero(step > 1)), int(np.count_nonzero(step == 0))
    if guard and guard.checksum:
        failures = int(np.count_nonzero((value & 1) == 0))
    return name, len(t), int(t[0]), int(t[-1]), missed, gaps, repeats, failures
