"""Read and decode one log into its part, in bounded memory, and say what was met on the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from herdbook.decoders import Decoder, Frames, Loss
from herdbook.decoders.decoding.extract import Column
from herdbook.decoders.decoding.group import grouped
from herdbook.decoders.frames import ERROR, REMOTE, join_frames
from herdbook.decoders.integrity.checks import IntegrityCheck, Watched
from herdbook.pipeline.arrays import Bools
from herdbook.pipeline.intake.identity_signals import Serials, SerialSeen
from herdbook.pipeline.intake.log_account import LogAccount
from herdbook.pipeline.intake.logged_spans import SpanTracker
from herdbook.pipeline.intake.outcome import LogReport
from herdbook.pipeline.lake.layout import CHECKSUM_OK, layout_of_profile
from herdbook.pipeline.lake.part import ROWS, Chunk
from herdbook.pipeline.lake.part_writer import PartWriter
from herdbook.pipeline.lake.place import writing
from herdbook.pipeline.lake.spill import Spilled, TableSpill
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.profile import Profile

TOGETHER = 250_000  # frames decoded and checked in one go, which is most logs whole; 10 MB
SEGMENT_BYTES = 400_000_000  # of tables that go to the disk in one go, also of messages with hundreds of signals


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


@dataclass(frozen=True, slots=True)
class DecodedStretch:
    """A stretch of a log: what was met in it, and its tables on the disk."""

    account: LogAccount
    watched: Watched
    tables: Spilled


class LogDecoding:
    """add() every batch of a log in file order, or follow() by stretches that others decoded; then write(). Use as a
    context, which clears what was spilled. stretch: the folder in which the tables of a stretch are left to others."""

    def __init__(self, store: Store, profile: Profile, shift: int, stretch: Path | None = None) -> None:
        settings = store.settings
        self.store, self.shift, self.profile = store, shift, profile
        self.decoder, self.check = Decoder(profile.network()), IntegrityCheck(profile.network())
        self.spill = TableSpill(stretch or store.scratch, kept=stretch is not None)
        tracker = SpanTracker(0, int(settings.span_gap_s * 1e6), int(settings.jump_s * 1e6))
        anyone = [m for m in profile.roles if m.source is None]
        senders: dict[str, set[int]] = {message: set() for m in anyone for message, _ in m.reads}
        self.account = LogAccount(tracker, senders, self.decoder.tally)
        self.held: list[Frames] = []

    def add(self, frames: Frames) -> None:
        """Batches are held until they are worth the work."""
        self.held.append(frames)
        if sum(map(len, self.held)) >= min(TOGETHER, self.store.settings.segment_frames):
            self._decode()

    def _decode(self) -> None:
        frames, self.held = join_frames(self.held), []
        data = data_frames(frames)
        self.account.tracker.add((frames.t if data.all() else frames.t[data]) + self.shift)
        batch = grouped(frames, self.decoder.network)
        self.decoder.add_grouped(batch, self.check.add_grouped(batch))
        self.account.count_errors(frames)
        if self.decoder.held >= self.store.settings.segment_frames or self.decoder.held_bytes >= SEGMENT_BYTES:
            self._flush()

    def _flush(self) -> None:
        tables = self.decoder.arrays(counts=True)
        for name, table in tables.items():
            if table.wrong is not None:
                table.columns[CHECKSUM_OK] = Column((~table.wrong).astype(np.int64))
            if table.source is not None and name in self.account.senders:
                self.account.senders[name].update(np.flatnonzero(np.bincount(table.source)).tolist())
        if self.shift:
            tables = {name: replace(table, t=table.t + self.shift) for name, table in tables.items()}
        with writing(self.store.lake):
            self.spill.add(tables)

    def _end(self) -> None:
        if self.held:
            self._decode()
        self.decoder.close()
        if self.decoder.held:
            self._flush()

    def decoded(self) -> DecodedStretch:
        """What was added, to be sent to the process that follows it up. Raises: StoreError."""
        self._end()
        with writing(self.store.lake):
            return DecodedStretch(self.account, self.check.watched(), self.spill.spilled())

    def follow(self, later: DecodedStretch) -> None:
        """A stretch behind all that was followed so far. Raises: OverflowError when there are too many channels."""
        self.account.follow(later.account)
        self.check.follow(later.watched)
        self.spill.follow(later.tables)

    def write(
        self, target: Path, log: str, log_format: str, losses: Sequence[Loss], beside: bool = False
    ) -> WrittenPart:
        """Finish the part. beside: encode it in a thread of its own. Raises: InputError when most frames turn out to be
        unknown; StoreError."""
        self._end()
        self.account.refuse_strangers(self.profile.name, self.store.settings.min_known_share)
        report = self.account.report(self.check, self.shift, log_format, losses)
        layout = layout_of_profile(self.profile)
        serials = Serials(self.profile, layout)
        with writing(self.store.lake), PartWriter(target, layout, self.store.scratch, beside) as writer:
            for name, rows, tables in self.spill.messages(ROWS):
                for table in tables:
                    writer.add(Chunk(log, name, table), rows)
                    serials.add_counts(name, table)
            digest = writer.close({log: report.to_json()})
        return WrittenPart(report, serials.found(), digest)

    def __enter__(self) -> LogDecoding:
        return self

    def __exit__(self, *_: object) -> None:
        self.spill.close()
