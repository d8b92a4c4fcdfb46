"""Read and decode one log into its part, in bounded memory, and say what was met on the way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from herdbook.decoders import Decoder, Frames, Log
from herdbook.decoders.decoding.extract import Column
from herdbook.decoders.decoding.group import grouped
from herdbook.decoders.frames import ERROR, REMOTE, join_frames
from herdbook.decoders.integrity.checks import IntegrityCheck
from herdbook.pipeline.arrays import Bools
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.identity_signals import Serials, SerialSeen
from herdbook.pipeline.intake.logged_spans import SpanTracker
from herdbook.pipeline.intake.outcome import LogFault, LogReport
from herdbook.pipeline.lake.layout import CHECKSUM_OK, layout_of_profile
from herdbook.pipeline.lake.part import ROWS, Chunk, PartWriter
from herdbook.pipeline.lake.place import writing
from herdbook.pipeline.lake.spill import TableSpill
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.profile import Profile

TOGETHER = 250_000  # frames decoded and checked in one go, which is most logs whole; 10 MB
SEGMENT_BYTES = 400_000_000  # of tables that go to the disk in one go, also of messages with hundreds of signals
MOST_FAULTS = 50  # unknown identifiers listed one by one
SHORT = "frames shorter than the message; signals past the end are null"
ODD_SELECTOR = "multiplex selector with a value the DBC does not know"
SENDERS = "a role reads this message from all of {}: name one, as in source = {}"
BROKEN = "J1939 messages in several frames of which one is missing"
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


def data_frames(frames: Frames) -> Bools:
    """bool (n,): neither error nor remote frames."""
    data: Bools = (frames.flags & (ERROR | REMOTE)) == 0
    return data


@dataclass(frozen=True, slots=True)
class WrittenPart:
    """A part and what is in it. hash: of its bytes."""

    report: LogReport
    serials: tuple[SerialSeen, ...]
    hash: str


class LogDecoding:
    """add() every batch of a log in file order, then write(); use as a context, which clears what was spilled."""

    def __init__(self, store: Store, profile: Profile, shift: int) -> None:
        settings = store.settings
        self.store, self.shift, self.profile = store, shift, profile
        self.tracker = SpanTracker(0, int(settings.span_gap_s * 1e6), int(settings.jump_s * 1e6))
        self.decoder, self.check = Decoder(profile.network()), IntegrityCheck(profile.network())
        self.spill = TableSpill(store.scratch)
        self.errors: Counter[str] = Counter()
        self.held: list[Frames] = []
        anyone = [m for m in profile.roles if m.source is None]
        self.senders: dict[str, set[int]] = {message: set() for m in anyone for message, _ in m.reads}

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
        if self.decoder.held >= self.store.settings.segment_frames or self.decoder.held_bytes >= SEGMENT_BYTES:
            self._flush()

    def _flush(self) -> None:
        tables = self.decoder.arrays(counts=True)
        for name, bad in self.check.failed_since().items():
            if name in tables:
                t = tables[name].t
                right = ~np.isin(t, bad) if len(bad) else np.ones(len(t), np.bool_)
                tables[name].columns[CHECKSUM_OK] = Column(right.astype(np.int64))
        for name, table in tables.items():
            if table.source is not None and name in self.senders:
                self.senders[name].update(np.flatnonzero(np.bincount(table.source)).tolist())
        if self.shift:
            tables = {name: replace(table, t=table.t + self.shift) for name, table in tables.items()}
        with writing(self.store.lake):
            self.spill.add(tables)

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

    def write(self, target: Path, log: str, opened: Log) -> WrittenPart:
        """Finish the part. Raises: InputError when most frames turn out to be unknown; StoreError."""
        if self.held:
            self._decode()
        self.decoder.close()
        if self.decoder.held:
            self._flush()
        self._look_at_share()
        report, layout = self._report(opened), layout_of_profile(self.profile)
        serials = Serials(self.profile, layout)
        with writing(self.store.lake), PartWriter(target, layout, self.store.scratch) as writer:
            for name, rows, tables in self.spill.messages(ROWS):
                for table in tables:
                    writer.add(Chunk(log, name, table), rows)
                    serials.add_counts(name, table)
            digest = writer.close({log: report.to_json()})
        return WrittenPart(report, serials.found(), digest)

    def _look_at_share(self) -> None:
        tally, least = self.decoder.tally, self.store.settings.min_known_share
        share = tally.known / max(1, tally.frames - tally.error - tally.remote)
        if share < least:
            what = f"profile {self.profile.name} knows the identifiers of only {share:.0%} of all frames"
            raise InputError(what, "", "Check the profile, or split the log where the vehicle changed")

    def _report(self, opened: Log) -> LogReport:
        tally, shift = self.decoder.tally, self.shift
        reports = [replace(r, start_t=r.start_t + shift, end_t=r.end_t + shift) for r in self.check.report()]
        return LogReport(
            format=opened.format,
            frames=tally.frames,
            known=tally.known,
            error=tally.error,
            remote=tally.remote,
            lost_bytes=sum(x.bytes for x in opened.losses),
            runs=tuple(self.tracker.runs),
            faults=tuple(self._faults(opened)),
            messages=tuple(reports),
            buses=tuple(replace(b, peak_t=b.peak_t + shift) for b in self.check.traffic()),
        )

    def _faults(self, opened: Log) -> Iterator[LogFault]:
        tally, losses = self.decoder.tally, opened.losses
        for kind in sorted({x.kind for x in losses}):
            some = [x for x in losses if x.kind == kind]
            lost = f"{sum(x.bytes for x in some)} bytes; first: {some[0].detail}"
            yield LogFault(f"lost {kind}", "", len(some), some[0].offset, lost)
        unknown = sorted(tally.unknown.items(), key=lambda item: (-item[1], item[0]))
        for (channel, can_id, extended), count in unknown[:MOST_FAULTS]:
            identifier = f"{can_id:0{8 if extended else 3}X}"
            yield LogFault("unknown identifier", identifier, count, None, f"on channel {channel}")
        if rest := unknown[MOST_FAULTS:]:
            yield LogFault("unknown identifier", "", sum(n for _, n in rest), None, f"{len(rest)} more identifiers")
        for name, count in sorted(tally.short.items()):
            yield LogFault("short frame", name, count, None, SHORT)
        for name, count in sorted(tally.odd_selector.items()):
            yield LogFault("unknown selector", name, count, None, ODD_SELECTOR)
        for group, count in tally.broken.items():
            name = "" if group is None else f"{group:05X}"
            yield LogFault("broken transport", name, count, None, BROKEN)
        for name, addresses in sorted(self.senders.items()):
            if len(addresses) > 1:
                shown = [f"0x{a:02X}" for a in sorted(addresses)]
                yield LogFault(
                    "several senders", name, len(addresses), None, SENDERS.format(", ".join(shown), shown[0])
                )
        for name, count in sorted(self.errors.items()):
            yield LogFault("error frame", name, count, None, "reported by the logger's CAN controller")

    def __enter__(self) -> LogDecoding:
        return self

    def __exit__(self, *_: object) -> None:
        self.spill.close()
