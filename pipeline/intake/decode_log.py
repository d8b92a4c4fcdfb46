"""Read and decode one log into its part, in bounded memory, and say what was met on the way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from herdbook.decoders import Decoder, Frames, Log
from herdbook.decoders.decoding.columns import Table
from herdbook.decoders.decoding.extract import Column
from herdbook.decoders.decoding.group import grouped
from herdbook.decoders.frames import ERROR, REMOTE, join_frames
from herdbook.decoders.integrity.checks import IntegrityCheck
from herdbook.pipeline.errors import InputError, StoreError
from herdbook.pipeline.intake.clock import Tracker
from herdbook.pipeline.intake.identity import UNSET, SerialSeen
from herdbook.pipeline.intake.outcome import Reading
from herdbook.pipeline.lake.layout import CHECKSUM_OK, Layout, layout_of_profile, values
from herdbook.pipeline.lake.part import Chunk, Part, PartWriter
from herdbook.pipeline.lake.spill import Gather
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.profile import Profile

TOGETHER = 250_000  # frames decoded and checked in one go, which is most logs whole; 10 MB
MOST_FAULTS = 50  # unknown identifiers listed one by one
COMPONENTS = {"vehicle_serial": "vehicle", "pack_serial": "pack", "controller_serial": "controller"}
IDENTITY = (*COMPONENTS, "pack_firmware", "controller_firmware", "pack_hardware", "controller_hardware")
# Classes of error frames, by bit of their identifier. Source: Linux uapi, can/error.h.
ERROR_CLASSES = {
    0x1: "transmit timeout",
    0x2: "lost arbitration",
    0x4: "controller",
    0x8: "protocol",
    0x10: "transceiver",
    0x20: "no acknowledge",
    0x40: "bus off",
    0x80: "bus error",
    0x100: "restarted",
}


def data_frames(frames: Frames) -> Any:
    """bool (n,): neither error nor remote frames."""
    return (frames.flags & (ERROR | REMOTE)) == 0


@dataclass(frozen=True, slots=True)
class Written:
    """A part and what is in it. hash: of its bytes."""

    reading: Reading
    serials: tuple[SerialSeen, ...]
    hash: str


class LogDecoding:
    """add() every batch of a log in file order, then write(); use as a context, which clears what was spilled."""

    def __init__(self, store: Store, profile: Profile, shift: int) -> None:
        settings = store.settings
        self.store, self.shift, self.profile = store, shift, profile
        self.tracker = Tracker(0, int(settings.span_gap_s * 1e6), int(settings.jump_s * 1e6))
        self.decoder, self.check = Decoder(profile.network()), IntegrityCheck(profile.network())
        self.gather = Gather(store.scratch)
        self.errors: Counter[str] = Counter()
        self.held: list[Frames] = []

    def add(self, frames: Frames) -> None:
        """Batches are held until they are worth the work."""
        self.held.append(frames)
        if sum(map(len, self.held)) >= min(TOGETHER, self.store.settings.segment_frames):
            self._decode()

    def _decode(self) -> None:
        frames, self.held = join_frames(self.held), []
        data = data_frames(frames)
        self.tracker.add((frames.t if data.all() else frames.t[data]) + self.shift)
        batch = grouped(frames, self.decoder.network)
        self.check.add_grouped(batch)
        self.decoder.add_grouped(batch)
        self._count_errors(frames)
        if self.decoder.held >= self.store.settings.segment_frames:
            self._flush()

    def _flush(self) -> None:
        tables = self.decoder.arrays(counts=True)
        for name, bad in self.check.failed_since().items():
            if name in tables:
                t = tables[name].t
                right = ~np.isin(t, bad) if len(bad) else np.ones(len(t), np.bool_)
                tables[name].columns[CHECKSUM_OK] = Column(right.astype(np.int64))
        if self.shift:
            tables = {name: replace(table, t=table.t + self.shift) for name, table in tables.items()}
        with writing(self.store):
            self.gather.add(tables)

    def _count_errors(self, frames: Frames) -> None:
        rows = np.flatnonzero(frames.flags & ERROR)
        if not len(rows):
            return
        for bit, name in ERROR_CLASSES.items():
            if n := int(np.count_nonzero(frames.can_id[rows] & bit)):
                self.errors[name] += n
        controller = rows[(frames.can_id[rows] & 0x4) != 0]
        if n := int(np.count_nonzero(frames.payload[controller, 1] & 1)):
            self.errors["logger overflow: the logger itself dropped frames"] += n

    def write(self, target: Path, log: str, opened: Log) -> Written:
        """Finish the part. Raises: InputError when most frames turn out to be unknown; StoreError."""
        if self.held:
            self._decode()
        self.decoder.close()
        if self.decoder.held:
            self._flush()
        self._look_at_share()
        reading, layout = self._reading(opened), layout_of_profile(self.profile)
        serials = Serials(self.profile, layout)
        with writing(self.store), PartWriter(target, layout, self.store.scratch) as writer:
            for name, table in self.gather.messages():
                writer.add(Chunk(log, name, table))
                serials.add_counts(name, table)
            digest = writer.close({log: _row(reading)})
        return Written(reading, serials.found(), digest)

    def _look_at_share(self) -> None:
        tally, least = self.decoder.tally, self.store.settings.min_known_share
        share = tally.known / max(1, tally.frames - tally.error - tally.remote)
        if share < least:
            what = f"profile {self.profile.name} knows the identifiers of only {share:.0%} of all frames"
            raise InputError(what, "", "Check the profile, or split the log where the vehicle changed")

    def _reading(self, opened: Log) -> Reading:
        tally, losses = self.decoder.tally, opened.losses
        reports = [replace(r, start_t=r.start_t + self.shift, end_t=r.end_t + self.shift) for r in self.check.report()]
        runs = tuple((r[0], r[1], r[2], r[3]) for r in self.tracker.runs)
        return Reading(
            opened.format,
            tally.frames,
            tally.known,
            tally.error,
            tally.remote,
            sum(x.bytes for x in losses),
            runs,
            tuple(self._faults(opened)),
            tuple(_row(r) for r in reports),
            tuple(_row(replace(b, peak_t=b.peak_t + self.shift)) for b in self.check.traffic()),
        )

    def _faults(self, opened: Log) -> Iterable[tuple[str, str, int, int | None, str]]:
        tally, losses = self.decoder.tally, opened.losses
        for kind in sorted({x.kind for x in losses}):
            some = [x for x in losses if x.kind == kind]
            lost = f"{sum(x.bytes for x in some)} bytes; first: {some[0].detail}"
            yield f"lost {kind}", "", len(some), some[0].offset, lost
        unknown = sorted(tally.unknown.items(), key=lambda item: (-item[1], item[0]))
        for (channel, can_id, extended), count in unknown[:MOST_FAULTS]:
            yield "unknown identifier", f"{can_id:0{8 if extended else 3}X}", count, None, f"on channel {channel}"
        if rest := unknown[MOST_FAULTS:]:
            yield "unknown identifier", "", sum(n for _, n in rest), None, f"{len(rest)} more identifiers"
        for name, count in sorted(tally.short.items()):
            yield "short frame", name, count, None, "frames shorter than the message; signals past the end are null"
        for name, count in sorted(tally.odd_selector.items()):
            yield "unknown selector", name, count, None, "multiplex selector with a value the DBC does not know"
        for group, count in tally.broken.items():
            name = "" if group is None else f"{group:05X}"
            yield "broken transport", name, count, None, "J1939 messages in several frames of which one is missing"
        for name, count in sorted(self.errors.items()):
            yield "error frame", name, count, None, "reported by the logger's CAN controller"

    def __enter__(self) -> LogDecoding:
        return self

    def __exit__(self, *_: object) -> None:
        self.gather.close()


def _row(some: Any) -> dict[str, Any]:
    """Fields of a flat dataclass; asdict copies every number of it, at several milliseconds a log."""
    return {f.name: getattr(some, f.name) for f in fields(some)}


class Serials:
    """What the identity signals of one log say. Unset memory (0, all ones) is no serial."""

    def __init__(self, profile: Profile, layout: Layout) -> None:
        slots = {(message, s.signal): s for message, some in layout.messages.items() for s in some}
        known = [(m, slots.get((m.message, m.signal))) for m in profile.roles if m.role in IDENTITY]
        self.mappings = [(m, slot) for m, slot in known if slot is not None]
        self.wanted: dict[str, list[str]] = {}
        for m, _ in self.mappings:
            self.wanted.setdefault(m.message, []).append(m.signal)
        self.seen: dict[int, dict[int, list[int]]] = {i: {} for i in range(len(self.mappings))}

    def add(self, message: str, t: NDArray[np.int64], columns: Mapping[str, Column]) -> None:
        for i, (m, _) in enumerate(self.mappings):
            if m.message == message and m.signal in columns:
                _add_serials(self.seen[i], t, columns[m.signal])

    def add_counts(self, message: str, table: Table) -> None:
        """Rows on their way into a part, as Decoder.arrays(counts=True) gives them."""
        mine = [(m.signal, slot) for m, slot in self.mappings if m.message == message and m.signal in table.columns]
        if mine:
            kept = {signal: (table.columns[signal], slot) for signal, slot in mine}
            self.add(message, table.t, {n: Column(values(slot, c.values), c.valid) for n, (c, slot) in kept.items()})

    def found(self) -> tuple[SerialSeen, ...]:
        out = []
        for i, (m, _) in enumerate(self.mappings):
            unset = set(m.not_available) | (UNSET if m.role in COMPONENTS else set())
            component = COMPONENTS.get(m.role, m.role)
            seen = sorted(self.seen[i].items())
            out += [SerialSeen(component, str(k), a, b, n) for k, (a, b, n) in seen if k not in unset]
        return tuple(out)


def serials_in(part: Part, log: str, profile: Profile) -> tuple[SerialSeen, ...]:
    """The same, read back from a part."""
    serials = Serials(profile, part.layout)
    for piece in part.rows(serials.wanted, log, -(2**63), 2**63 - 1):
        serials.add(piece.message, piece.t, piece.columns)
    return serials.found()


def _add_serials(seen: dict[int, list[int]], times: NDArray[np.int64], column: Column) -> None:
    """First and last time and number of samples, by value."""
    there = slice(None) if column.valid is None else column.valid
    values, t = column.values[there], times[there]
    if len(values) and (values == values[0]).all():  # as good as always, and sorting takes longer
        found = [(values[0], 0, len(values) - 1, len(values))]
    else:
        kinds, first, count = np.unique(values, return_index=True, return_counts=True)
        last = len(values) - 1 - np.unique(values[::-1], return_index=True)[1]
        found = list(zip(kinds.tolist(), first.tolist(), last.tolist(), count.tolist(), strict=True))
    for k, a, b, n in found:
        old = seen.setdefault(int(k), [int(t[a]), int(t[b]), 0])
        old[0], old[1], old[2] = min(old[0], int(t[a])), max(old[1], int(t[b])), old[2] + n


@contextmanager
def writing(store: Store) -> Iterator[None]:
    """Errors of writing into the store stop everything; they are not the log's fault."""
    store.lake.glance()
    try:
        yield
    except OSError as error:
        store.lake.glance()
        do = "Make room and run again; what was committed stays"
        raise StoreError(f"the lake cannot be written ({error.strerror or error})", store.lake.root, do) from None
