"""Logs as the checks of a profile see them (pipeline/vehicle/contact): from a log as found, or from a part."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from herdbook.decoders import Decoder, join_frames, open_log
from herdbook.decoders.decoding.columns import Table
from herdbook.decoders.decoding.extract import Column
from herdbook.pipeline.lake.derived import Derived
from herdbook.pipeline.lake.part import Part, Piece
from herdbook.pipeline.lake.read import LogRef, convert
from herdbook.pipeline.vehicle.contact.view import Received, View, received, with_packs
from herdbook.pipeline.vehicle.packs import all_of
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.role_table import Mapping
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

MOST_FRAMES = 4_000_000  # of one log: enough for hours, in bounded memory


@dataclass
class RoleSamples:
    """Collects samples of one log role by role; view() when all are in."""

    profile: Profile
    vehicle: str
    pieces: dict[Key, list[tuple[NDArray[np.int64], NDArray[np.float64]]]] = field(default_factory=dict)
    counts: dict[Key, Received] = field(default_factory=dict)

    def add(self, mapping: Mapping, t: NDArray[np.int64], raw: NDArray[Any]) -> None:
        """t (n,) microseconds UTC; raw (n,) in the DBC's units, where the signal is present."""
        if not t.size:
            return
        key = mapping.role, mapping.item
        value = convert(raw, mapping)
        self.pieces.setdefault(key, []).append((t, value))
        self.counts[key] = self.counts.get(key, Received()).plus(received(raw, value, mapping))

    def view(self, known_share: float = 1.0) -> View:
        data = {key: _series(self.pieces[key]) for key in sorted(self.pieces, key=str)}
        ends = [(int(s.t[0]), int(s.t[-1])) for s in data.values() if len(s)]
        start, end = (min(a for a, _ in ends), max(b for _, b in ends) + 1) if ends else (0, 0)
        signals = Signals(self.vehicle, start, end, data)
        return View(self.vehicle, signals, self.profile, self.counts, known_share)


def _series(pieces: list[tuple[NDArray[np.int64], NDArray[np.float64]]]) -> Series:
    """In order of time, each time once."""
    t, v = np.concatenate([p[0] for p in pieces]), np.concatenate([p[1] for p in pieces])
    order = np.argsort(t, kind="stable")
    t, v = t[order], v[order]
    first = np.concatenate(([True], np.diff(t) > 0))
    return Series(t[first], v[first])


def view_of_log(path: Path, profile: Profile, vehicle: str) -> View:
    """A log as found, its first frames when it is very long. Raises: DecoderError when it cannot be read."""
    decoder, held, frames = Decoder(profile.network()), [], 0
    for piece in open_log(path).chunks():
        held.append(piece)
        frames += len(piece)
        if frames >= MOST_FRAMES:
            break
    if not held:
        return RoleSamples(profile, vehicle).view(0.0)
    decoder.add(join_frames(held))
    decoder.close()
    tally = decoder.tally
    data = tally.frames - tally.error - tally.remote
    return view_of_pieces(pieces_of(decoder.arrays()), profile, vehicle, tally.known / data if data else 0.0)


def pieces_of(tables: dict[str, Table]) -> list[Piece]:
    return [_piece(name, table) for name, table in tables.items()]


def view_of_pieces(pieces: Sequence[Piece], profile: Profile, vehicle: str, known_share: float = 1.0) -> View:
    """A log that is decoded already."""
    columns = {f"{piece.message}.{name}" for piece in pieces for name in piece.columns}
    views = []
    for by in all_of(profile):
        samples = RoleSamples(by, vehicle)
        _collect(samples, pieces, columns)
        views.append(samples.view(known_share))
    return with_packs(views)


def _piece(message: str, table: Table) -> Piece:
    """A decoded message as a part would give it, with channel and source of each frame."""
    columns = dict(table.columns)
    n = len(table)
    labels = np.array(table.labels or ("",))
    columns["channel"] = Column(labels[table.channel] if table.channel is not None else np.full(n, ""))
    columns["source"] = Column(table.source.astype(np.int64) if table.source is not None else np.full(n, -1, np.int64))
    return Piece(message, table.t, columns)


def view_of_part(part: Part, ref: LogRef, profile: Profile, vehicle: str, known_share: float) -> View:
    """The same from the lake; only what is dated. Raises: StoreError for a damaged part."""
    return with_packs([_view_of_part(part, ref, by, vehicle, known_share) for by in all_of(profile)])


def _view_of_part(part: Part, ref: LogRef, profile: Profile, vehicle: str, known_share: float) -> View:
    wanted: dict[str, set[str]] = {}
    for m in profile.roles:
        if m.plain and f"{m.message}.{m.signal}" in part.columns:
            wanted.setdefault(m.message, set()).add(m.signal)
    for message, names in Derived([m for m in profile.roles if not m.plain], part.columns).wanted.items():
        wanted.setdefault(message, set()).update(names)
    samples = RoleSamples(profile, vehicle)
    rows = {message: sorted(names) for message, names in wanted.items()}
    _collect(samples, part.rows(rows, ref.log, ref.start, ref.end + 1), part.columns)
    return samples.view(known_share)


def _collect(samples: RoleSamples, pieces: Iterable[Piece], columns: Collection[str]) -> None:
    """Every mapping's samples out of pieces of messages. columns: what there is, as message.signal."""
    by_message: dict[str, list[Mapping]] = {}
    for m in samples.profile.roles:
        if m.plain and f"{m.message}.{m.signal}" in columns:
            by_message.setdefault(m.message, []).append(m)
    derived = Derived([m for m in samples.profile.roles if not m.plain], columns)
    for piece in pieces:
        derived.add(piece)
        for m in by_message.get(piece.message, ()):
            column = piece.columns[m.signal]
            rows = slice(None) if column.valid is None else np.flatnonzero(column.valid)
            samples.add(m, piece.t[rows], column.values[rows])
    for m, (t, raw) in derived.samples():
        samples.add(m, t, raw)
