"""Frames and a network to tables: group the rows by message, then extract each message at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING

import numpy as np

from herdbook.decoders.arrays import I16, I64, U16, U32, Bool, Bytes
from herdbook.decoders.dbc.j1939 import is_transport
from herdbook.decoders.dbc.messages import Message
from herdbook.decoders.dbc.network import UNKNOWN, Network
from herdbook.decoders.decoding.columns import Table, joined, joined_marks
from herdbook.decoders.decoding.extract import Column, extract
from herdbook.decoders.decoding.group import Grouped, grouped
from herdbook.decoders.decoding.transport import Carried, Transport
from herdbook.decoders.frames import ERROR, EXTENDED, REMOTE, Frames, part, widened

if TYPE_CHECKING:
    import polars as pl

RESERVED = ("t", "channel", "source")  # columns of ours; a signal of that name gets an underscore behind it
BATCH_FRAMES = 1_000_000
SLICE = 131_072  # frames
ROW_BYTES, CELL_BYTES = 20, 9  # time twice, length and number; a value, and whether it is there


@dataclass(slots=True)
class Tally:
    """What became of the frames. known + unknown + error + remote = frames. Frames of the J1939 transport protocol are
    known where a DBC file has a message long enough to need it.

    unknown: frames by (channel label, identifier, extended). short: frames too short for their message, by
    message name. odd_selector: frames whose selector has a value the DBC does not know, by message name.
    carried: messages put together from several frames. broken: those that lack a frame, by parameter group.
    """

    frames: int = 0
    known: int = 0
    error: int = 0
    remote: int = 0
    unknown: Counter[tuple[str, int, bool]] = field(default_factory=Counter)
    short: Counter[str] = field(default_factory=Counter)
    odd_selector: Counter[str] = field(default_factory=Counter)
    carried: int = 0
    broken: Counter[int | None] = field(default_factory=Counter)

    def plus(self, later: Tally) -> Tally:
        """Of this stretch of a log and a later one."""
        return Tally(*(getattr(self, f.name) + getattr(later, f.name) for f in fields(Tally)))


@dataclass(frozen=True, slots=True)
class MessageRows:
    """Frames of one message in file order; arrays (n,), payload uint8 (n, width); channel, can_id where needed. length
    is uint16 of a message that came in several frames. wrong: whether the checksum is, where the caller says so."""

    t: I64
    payload: Bytes
    length: Bytes | U16
    channel: Bytes | None
    can_id: U32 | None
    wrong: Bool | None = None


class Decoder:
    """Takes frames piece by piece, gives tables at the end. It holds raw rows meanwhile: bound the pieces.

    held: rows. held_bytes: about what they and their tables will take together.
    """

    def __init__(self, network: Network) -> None:
        self.network = network
        self.tally = Tally()
        self.held = 0
        self.held_bytes = 0
        self._pieces: dict[int, list[MessageRows]] = {}
        self._channels: list[str] = []
        self._transport = Transport() if network.carries_long else None
        if self._transport:
            self.tally.broken = self._transport.broken

    def add(self, frames: Frames) -> None:
        """Sort one batch into messages; a large one in slices that the cache can hold."""
        for at in range(0, len(frames), SLICE):
            some = part(frames, slice(at, at + SLICE)) if len(frames) > SLICE else frames
            self._sort(grouped(some, self.network), {})
        if self._transport and (carried := self._transport.add(frames)):
            self._deliver(carried)

    def close(self) -> None:
        """At the end of the log: what came in several frames and is not whole is broken."""
        if self._transport:
            self._transport.close()

    def _deliver(self, carried: Carried) -> None:
        """Messages put together from several frames, as rows of theirs."""
        self.tally.carried += len(carried.t)
        which = np.full(len(carried.t), UNKNOWN, np.int16)
        for number, label in enumerate(carried.channels):
            rows = np.flatnonzero(carried.channel == number)
            which[rows] = self.network.find(label, carried.can_id[rows])
        numbers = np.array([self._channel_number(c) for c in carried.channels], np.uint8)
        for index in np.unique(which[which >= 0]).tolist():
            rows = np.flatnonzero(which == index)
            self._pieces.setdefault(index, []).append(
                MessageRows(
                    carried.t[rows],
                    carried.payload[rows],
                    carried.length[rows],
                    numbers[carried.channel[rows]] if self.network.several_buses else None,
                    carried.can_id[rows] if self.network.messages[index].j1939 else None,
                )
            )
            self._hold(index, len(rows))

    def _hold(self, index: int, rows: int) -> None:
        message = self.network.messages[index]
        self.held += rows
        self.held_bytes += rows * (ROW_BYTES + message.length + CELL_BYTES * len(message.signals))

    def add_grouped(self, batch: Grouped, wrong: Mapping[int, Bool] | None = None) -> None:
        """The same, of a batch whose rows are grouped already; its size is the caller's matter. wrong: as
        IntegrityCheck.add_grouped() gives it."""
        self._sort(batch, wrong or {})
        if self._transport and (carried := self._transport.add(batch.frames)):
            self._deliver(carried)

    def _sort(self, batch: Grouped, wrong: Mapping[int, Bool]) -> None:
        frames = batch.frames
        self._count(frames, batch.which)
        numbers = np.array([self._channel_number(c) for c in frames.channels] or [0], np.uint8)
        for index, start, end in batch.messages:
            rows = slice(start, end)
            self._pieces.setdefault(index, []).append(
                MessageRows(
                    batch.t[rows],
                    batch.payload[rows],
                    batch.length[rows],
                    numbers[frames.channel[batch.order[rows]]] if self.network.several_buses else None,
                    frames.can_id[batch.order[rows]] if self.network.messages[index].j1939 else None,
                    wrong.get(index),
                )
            )
            self._hold(index, end - start)

    def tables(self) -> dict[str, pl.DataFrame]:
        """One frame a message name seen, rows in file order; what was held is let go."""
        return {name: table.frame() for name, table in self.arrays().items()}

    def arrays(self, counts: bool = False) -> dict[str, Table]:
        """The same as plain arrays.

        counts: signals that are `counted` come as raw counts, to be kept as they are and scaled by who reads them.
        """
        found: dict[str, Table] = {}
        for index in sorted(self._pieces):
            message = self.network.messages[index]
            table = self._table(message, _joined(self._pieces[index]), counts)
            found[message.name] = joined([found[message.name], table]).in_time() if message.name in found else table
        self._pieces, self.held, self.held_bytes = {}, 0, 0
        return found

    def _channel_number(self, label: str) -> int:
        if label not in self._channels:
            self._channels.append(label)
        return self._channels.index(label)

    def _count(self, frames: Frames, which: I16) -> None:
        tally = self.tally
        tally.frames += len(frames)
        tally.known += int(np.count_nonzero(which >= 0))
        tally.error += int(np.count_nonzero(frames.flags & ERROR))
        tally.remote += int(np.count_nonzero((frames.flags & (ERROR | REMOTE)) == REMOTE))
        lost = which == UNKNOWN
        if self._transport:
            pieces = lost & is_transport(frames)
            tally.known += int(np.count_nonzero(pieces))
            lost &= ~pieces
        if lost.any():
            key = frames.channel[lost].astype(np.uint64) << np.uint64(33)
            key |= (frames.flags[lost] & EXTENDED).astype(np.uint64) << np.uint64(32)
            key |= frames.can_id[lost]
            for k, n in zip(*(a.tolist() for a in np.unique(key, return_counts=True)), strict=True):
                tally.unknown[frames.channels[k >> 33], k & 0xFFFF_FFFF, bool(k >> 32 & 1)] += n

    def _table(self, message: Message, rows: MessageRows, counts: bool) -> Table:
        n_short = int(np.count_nonzero(rows.length < message.length))
        if n_short:
            self.tally.short[message.name] += n_short
        payload = widened(rows.payload, 8 if message.length <= 8 else 64)
        columns = extract(message, payload, rows.length if n_short else None, counts)
        self._count_odd(message, columns)
        named = {name + "_" if name in RESERVED else name: column for name, column in columns.items()}
        source = None if rows.can_id is None else (rows.can_id & 0xFF).astype(np.uint8)
        return Table(rows.t, named, rows.channel, tuple(self._channels), source, rows.wrong)

    def _count_odd(self, message: Message, columns: dict[str, Column]) -> None:
        for selector in message.signals:
            if not selector.selector:
                continue
            dependants = [s.when for s in message.signals if s.parent == selector.name]
            known = set(selector.states).union(*dependants)
            values, valid = columns[selector.name].values, columns[selector.name].valid
            if known and values.dtype != np.float64:
                odd = ~np.isin(values, np.array(sorted(known)))
                n = int(np.count_nonzero(odd if valid is None else odd & valid))
                if n:
                    self.tally.odd_selector[message.name] += n


def decode(frames: Frames, network: Network) -> dict[str, pl.DataFrame]:
    """One table a message: `t`, `channel` and `source` where they apply, then a column a signal.

    Signals are in DBC units, null where absent. `channel`: the network spans several buses. `source`: J1939.
    """
    decoder = Decoder(network)
    decoder.add(frames)
    return decoder.tables()


def decode_batches(
    chunks: Iterable[Frames],
    network: Network,
    frames: int = BATCH_FRAMES,
) -> Iterator[dict[str, pl.DataFrame]]:
    """Tables of about `frames` frames at a time: a log of any size in bounded memory."""
    decoder = Decoder(network)
    for chunk in chunks:
        decoder.add(chunk)
        if decoder.held >= frames:
            yield decoder.tables()
    if decoder.held:
        yield decoder.tables()


def _joined(pieces: list[MessageRows]) -> MessageRows:
    if len(pieces) == 1:
        return pieces[0]
    width = max(p.payload.shape[1] for p in pieces)
    channels = [p.channel for p in pieces if p.channel is not None]
    numbers = [p.can_id for p in pieces if p.can_id is not None]
    return MessageRows(
        np.concatenate([p.t for p in pieces]),
        np.concatenate([widened(p.payload, width) for p in pieces]),
        np.concatenate([p.length for p in pieces]),
        np.concatenate(channels) if channels else None,
        np.concatenate(numbers) if numbers else None,
        joined_marks([(len(p.t), p.wrong) for p in pieces]),
    )
