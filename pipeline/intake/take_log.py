"""Take a log in: hash, identify, place in time, decode, write its part.

Pure work without the catalogue, so that it may run in any process; what comes back is committed by ledger.commit(). A
log that cannot be used comes back as quarantined with the reason, never as an exception; an exception means that the
store itself cannot go on.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path

import numpy as np

from herdbook.decoders import DecoderError, Frames, Log, open_log
from herdbook.pipeline.errors import DamagedPartError, InputError, StoreError
from herdbook.pipeline.intake.bus_load import bus_loads
from herdbook.pipeline.intake.choose_profile import ProfileRefusedError, choose_profile
from herdbook.pipeline.intake.clock import AHEAD, FAR, NotYetError, Placed, in_doubt, place
from herdbook.pipeline.intake.decode_log import LogDecoding, WrittenPart, data_frames
from herdbook.pipeline.intake.identity import BY_A_PERSON, ContradictionError, vehicle_from_path, whose
from herdbook.pipeline.intake.identity_signals import serials_in
from herdbook.pipeline.intake.inbox import find_logs, new_logs, stamp_of
from herdbook.pipeline.intake.logged_spans import SpanTracker, ahead
from herdbook.pipeline.intake.outcome import (
    CANNOT_OPEN,
    CONTRADICTION,
    PROFILE_REFUSED,
    UNUSABLE,
    ChangedLog,
    GoneLog,
    KnownLog,
    LogFile,
    LogReport,
    Outcome,
    QuarantinedLog,
    TakenLog,
)
from herdbook.pipeline.intake.sidecar import Sidecar, read_sidecar
from herdbook.pipeline.lake.part import VERSION, Part, file_hash
from herdbook.pipeline.lake.place import writing
from herdbook.pipeline.store.publish import published_hash
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import S, now_us
from herdbook.pipeline.vehicle.profile import Profile

__all__ = ["find_logs", "new_logs", "part_path", "take_log"]

WHOLE = 1 << 25  # bytes of a log that is read once, hashed and decoded from memory; larger ones are read twice


def take_log(
    path: Path | str,
    store: Store,
    profiles: Sequence[Profile] | None = None,
    known: Collection[str] = (),
    now: int | None = None,
    vehicle: str = "",
) -> Outcome:
    """One log into one part of the store's lake.

    known: hashes of logs that are in the ledger already. now: when the log was received (microseconds UTC), by which
    its clock is judged. vehicle: whose it is by a person's word, whatever else says so.
    Raises: StoreError when the lake cannot be written; ProfileError for a wrong profile.
    """
    path = Path(path).absolute()
    profiles = store.profiles() if profiles is None else profiles
    now = now_us() if now is None else now
    file = LogFile(str(path), path.name)
    try:
        size, stamp = stamp_of(path)
        data = path.read_bytes() if size <= WHOLE else None
        log = file_hash(path) if data is None else hashlib.sha256(data).hexdigest()
        file = replace(file, size_bytes=size, stamp=stamp, log=log)
        if log in known:
            return KnownLog(file)
        if not size:
            raise InputError("the file is empty", "", "Ask for it again where it came from")
        return _into_the_lake(path, data, file, store, profiles=profiles, now=now, named=vehicle)
    except Exception as error:
        return what_became(file, error, now)


def what_became(file: LogFile, error: Exception, now: int) -> Outcome:
    """Of a log that an error kept from being taken. Raises: the error itself, where it is not the log's."""
    if isinstance(error, FileNotFoundError):
        return GoneLog(file)
    if isinstance(error, ReplacedError):
        return ChangedLog(file)
    if isinstance(error, StoreError | MemoryError | ImportError):
        raise error
    again = None
    if isinstance(error, InputError):
        reason = CONTRADICTION if isinstance(error, ContradictionError) else UNUSABLE
        reason = PROFILE_REFUSED if isinstance(error, ProfileRefusedError) else reason
        again = error.again if isinstance(error, NotYetError) else again
        said = (reason, f"{error.where + ': ' if error.where else ''}{error.what}", error.do)
    elif isinstance(error, DecoderError):
        said = ("cannot be read", str(error), "Check the file where it came from; no reader can use it as it is")
    elif isinstance(error, OSError):
        what, do = error.strerror or str(error), "Check the file and its rights; every scan tries it again"
        said, again = (CANNOT_OPEN, what, do), now
    else:
        said = ("reader failed", f"{type(error).__name__}: {error}", "Please report this log; others go on")
    return QuarantinedLog(file, *said, again=again)


class ReplacedError(Exception):
    """The file is not the one whose hash was taken."""


@dataclass(frozen=True, slots=True)
class Decided:
    """What is decided before decoding. now: when the log was received, microseconds UTC. named: the vehicle by a word
    of a person, or ""."""

    sidecar: Sidecar
    profile: Profile
    placed: Placed
    now: int
    named: str


def _into_the_lake(
    path: Path, data: bytes | None, file: LogFile, store: Store, *, profiles: Sequence[Profile], now: int, named: str
) -> TakenLog:
    opened = open_log(path, data, spool=store.scratch)
    chunks = opened.chunks()
    decided, head = decide(path, opened, chunks, store, profiles=profiles, now=now, named=named)

    def write(target: Path) -> WrittenPart:
        with LogDecoding(store, decided.profile, decided.placed.shift) as decoding:
            for frames in chain(head, chunks):
                decoding.add(frames)
            if data is None and file_hash(path) != file.log:  # read twice, so it may be another file by now
                raise ReplacedError
            return decoding.write(target, file.log, opened.format, opened.losses)

    return into_the_lake(file, store, decided, write)


def decide(
    path: Path,
    opened: Log,
    chunks: Iterator[Frames],
    store: Store,
    *,
    profiles: Sequence[Profile],
    now: int,
    named: str = "",
) -> tuple[Decided, list[Frames]]:
    """By the first chunks of a log, which come along. Raises: InputError, DecoderError."""
    sidecar = read_sidecar(path, store.settings.zone)
    head = _head(opened, chunks)
    first = int(head[-1].t[np.flatnonzero(data_frames(head[-1]))[0]])
    placed = place(
        clock=opened.clock,
        first=first,
        now=now,
        sidecar=sidecar.start,
        header=opened.wall,
        name=path.name,
        zone=sidecar.zone or store.settings.zone,
    )
    start, least = first + placed.shift, store.settings.min_known_share
    waiting = store.refused_profiles()
    profile = choose_profile(head[-1], start, profiles, sidecar.profile, least, refused=waiting, path=path.as_posix())
    if not sidecar.zone:
        placed = in_doubt(placed, store.settings.zone, profile.vehicle_figures.zone)
    return Decided(sidecar, profile, placed, now, named), head


def into_the_lake(file: LogFile, store: Store, decided: Decided, write: Callable[[Path], WrittenPart]) -> TakenLog:
    """The log's part, by write() where the lake does not have it yet."""
    part = part_path(decided.profile, file.log, decided.placed.shift)
    with store.lake.adding(part) as target:
        with writing(store.lake):
            written = _kept(target, file.log, decided.profile, store, part)
        written = write(target) if written is None else written
        return _taken(file, store, decided, written, target.stat().st_size)


def part_path(profile: Profile, log: str, shift: int) -> str:
    """Where a log's part lies in the lake: the same log, DBC files and clock shift give the same place."""
    key = hashlib.sha256(f"{VERSION} {profile.network_hash} {shift}".encode()).hexdigest()[:8]
    return f"{profile.name}/{log[:2]}/{log}-{key}.parquet"


def _head(log: Log, chunks: Iterator[Frames]) -> list[Frames]:
    """Chunks up to the first one with data frames, that one last. Raises: InputError when there are none."""
    head = []
    for frames in chunks:
        head.append(frames)
        if data_frames(frames).any():
            return head
    if not log.losses:
        raise InputError("the log holds no data frames", "", "Check the logger's set-up; it recorded no traffic")
    lost, first = sum(loss.bytes for loss in log.losses), log.losses[0]
    what = f"no frame of it can be read: {lost:,} bytes are damaged, from byte {first.offset:,} on: {first.detail}"
    raise InputError(what, "", f"Ask for it again where it came from; it looks like a log of the kind {log.format}")


def _kept(target: Path, log: str, profile: Profile, store: Store, part: str) -> WrittenPart | None:
    """What is in the part when the lake has it already and its bytes are those that were published; else None, and it
    is written again: nobody knows whether what lies there is whole and sound."""
    if not target.exists():
        return None
    digest = file_hash(target)
    if digest != published_hash(store, part):
        return None
    try:
        held = Part.open(target)
        return WrittenPart(LogReport.from_json(held.logs[log]), serials_in(held, log, profile), digest)
    except (DamagedPartError, KeyError, TypeError):
        return None


def _taken(file: LogFile, store: Store, decided: Decided, written: WrittenPart, part_bytes: int) -> TakenLog:
    sidecar, profile, placed, now = decided.sidecar, decided.profile, decided.placed, decided.now
    report, serials = written.report, written.serials
    patterns = [*store.settings.paths, *filter(None, [profile.identity.get("path")])]
    by_path = vehicle_from_path(Path(file.path).as_posix(), patterns)
    vehicle, identity_by = decided.named, BY_A_PERSON
    if not vehicle:
        vehicle, identity_by = whose(sidecar.vehicle, by_path, serials, profile, store.settings.vehicle, file.path)
    tracker = SpanTracker(now, int(store.settings.span_gap_s * S), int(store.settings.jump_s * S), list(report.runs))
    spans = tracker.spans()
    if not any(s.dated for s in spans):
        if (later := min((s.end for s in spans if now + AHEAD < s.end < FAR), default=None)) is not None:
            raise NotYetError(later, now)
        raise InputError(
            "the log's clock was never set: " + "; ".join(placed.notes),
            "",
            "Write a sidecar with start = 2026-03-01T08:00:00Z, or repair the logger's clock",
        )
    return TakenLog(
        file=file,
        vehicle=vehicle,
        identity_by=identity_by,
        profile=profile.name,
        profile_hash=profile.hash,
        network_hash=profile.network_hash,
        clock=placed.by,
        clock_notes=(*sidecar.notes, *placed.notes, *tracker.notes(), *ahead(spans, now)),
        clock_shift_us=placed.shift,
        bench=sidecar.bench,
        zone=sidecar.zone,
        part=part_path(profile, file.log, placed.shift),
        part_hash=written.hash,
        part_bytes=part_bytes,
        report=report,
        facts=_facts(sidecar, profile),
        serials=serials,
        buses=bus_loads(profile, report.buses),
        spans=tuple(spans),
        doubts=tuple(tracker.doubts()),
    )


def _facts(sidecar: Sidecar, profile: Profile) -> dict[str, str]:
    """What is known of the vehicle besides its signals: what the sidecar says, and the profile's zone."""
    zone = profile.vehicle_figures.zone
    return ({"profile_zone": zone} if zone else {}) | sidecar.facts
