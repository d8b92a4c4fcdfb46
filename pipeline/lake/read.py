"""From the lake to Signals: one vehicle's roles over a stretch of time, in the roles' units."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.errors import NotKnownError, ProfileError
from herdbook.pipeline.lake.derived import Derived
from herdbook.pipeline.lake.merge_samples import Samples, SharedTimes, merge
from herdbook.pipeline.lake.part import Part, Piece
from herdbook.pipeline.lake.place import Lake
from herdbook.pipeline.spans import outside
from herdbook.pipeline.vehicle.fault_codes import UNNAMED
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.role_table import Mapping
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True, slots=True)
class LogRef:
    """Where the rows of one log are ("" once they expired), and which of its time is not to be used.

    Times: microseconds UTC. hash: of the part, where it is known.
    """

    log: str
    part: str
    profile: str
    start: int
    end: int
    doubts: tuple[tuple[int, int], ...] = ()
    hash: str = ""


ALL_TIME = (-62_000_000_000_000_000, 250_000_000_000_000_000)  # microseconds UTC: the years 6 to 9892
_known_logs: dict[tuple[Path, str, int, int, int], tuple[LogRef, ...]] = {}  # of the vehicle asked for last


class Watch(Protocol):
    """Somebody else who wants rows of the same parts, so that these are read once (see pipeline/lake/cadence.py)."""

    def wanted(self, part: Part, ref: LogRef) -> dict[str, list[str]]:
        """Signals by message, beside those of the roles."""

    def take(self, ref: LogRef, piece: Piece) -> None:
        """A piece of one of these messages, with these signals among its columns."""


class Published(Protocol):
    """What is asked of a store here (pipeline/store/store.py)."""

    @property
    def folder(self) -> Path: ...

    @property
    def lake(self) -> Lake: ...

    @property
    def fleet(self) -> Path: ...

    def profiles(self) -> list[Profile]: ...

    def read(self) -> duckdb.DuckDBPyConnection: ...


def load_signals(
    store: Published,
    vehicle: str,
    start: int,
    end: int,
    roles: Collection[str] | None = None,
    profiles: Iterable[Profile] | None = None,
) -> Signals:
    """Roles of a vehicle between start and end (microseconds UTC, end excluded), from the published catalogue.

    roles: names to load; all when left out. profiles: to read by instead of the store's, under their names. Each sample
    is counted once where logs overlap; what is impossible or not available is NaN. Raises: NotKnownError for a vehicle
    without logs; StoreError for a missing or damaged part.
    """
    refs = refs_of(store, vehicle, start, end)
    by = store.profiles() if profiles is None else profiles
    return read_signals(store.lake, refs, by, vehicle, start=start, end=end, roles=roles)


def refs_of(store: Published, vehicle: str, start: int, end: int) -> list[LogRef]:
    """Logs of a vehicle that touch a stretch and have not expired. Raises: NotKnownError for one without logs."""
    logs = _logs_of(store, vehicle)
    if not logs:
        raise NotKnownError(f"no log of vehicle {vehicle!r}", store.folder, "See `herdbook fleet` for all vehicles")
    return [r for r in logs if r.part and r.start < end and r.end >= start]


def _logs_of(store: Published, vehicle: str) -> tuple[LogRef, ...]:
    """All logs of a vehicle, also expired ones. A dossier asks for a score of stretches: the published file is opened
    once for all of them, until another one is published."""
    try:
        stamp = store.fleet.stat()
    except OSError:
        stamp = None  # store.read() says what is missing
    state = (store.fleet, vehicle, stamp.st_ino, stamp.st_mtime_ns, stamp.st_size) if stamp else None
    known = _known_logs.get(state) if state else None
    if known is None:
        with store.read() as con:
            known = tuple(log_refs(con, vehicle, *ALL_TIME, expired=True))
        _known_logs.clear()
        if state:
            _known_logs[state] = known
    return known


def log_refs(con: duckdb.DuckDBPyConnection, vehicle: str, start: int, end: int, expired: bool = False) -> list[LogRef]:
    """Logs of a vehicle that touch a stretch of time, in order of time and hash; expired ones only when asked for."""
    given = {"vehicle": vehicle, "start": start, "end": end}
    refs = [
        LogRef(
            log=log,
            part=part,
            profile=profile,
            start=first,
            end=last,
            doubts=tuple((a, b) for a, b in doubts or ()),
            hash=digest,
        )
        for log, part, profile, first, last, doubts, digest in con.execute(_log_refs(), given).fetchall()
    ]
    return [r for r in refs if expired or r.part]


@cache
def _log_refs() -> str:
    return files(__package__ or "").joinpath("sql", "log_refs.sql").read_text("utf-8")


def read_signals(
    lake: Lake,
    refs: Sequence[LogRef],
    profiles: Iterable[Profile],
    vehicle: str,
    start: int,
    end: int,
    roles: Collection[str] | None = None,
    watch: Watch | None = None,
) -> Signals:
    """The same from known logs; touches nothing but the parts. watch: who gets all rows to see."""
    by_name = {p.name: p for p in profiles}
    found: dict[Key, list[Samples]] = {}
    cycles: dict[Key, float | None] = {}
    parts: dict[str, Part] = {}
    for ref in (r for r in refs if r.part):
        if ref.profile not in by_name:
            what = f"profile {ref.profile!r} of log {ref.log[:12]} is not among the profiles"
            raise ProfileError(what, lake.store, "Put it back where herdbook.toml says profiles are")
        profile = by_name[ref.profile]
        part = parts.get(ref.part) or parts.setdefault(ref.part, lake.open(ref.part, ref.hash))
        wanted = [m for m in profile.roles if roles is None or m.role in roles]
        for key, samples in _log_samples(part, ref, wanted, start=start, end=end, watch=watch).items():
            found.setdefault(key, []).extend(samples)
        _note_cycles(cycles, wanted, profile)
    times = SharedTimes()
    data = {key: Series(*merge(pieces, cycles.get(key), times)) for key, pieces in found.items()}
    return Signals(vehicle, start, end, {k: data[k] for k in sorted(data, key=str)})


def _note_cycles(cycles: dict[Key, float | None], wanted: list[Mapping], profile: Profile) -> None:
    messages = profile.network().by_name
    for m in wanted:
        every_frame = m.when is None and m.source is None and not m.channel
        cycle = messages[m.message].cycle_ms if every_frame and m.message in messages else None
        cycles.setdefault((m.role, m.item), cycle * 1000 if cycle else None)


def _log_samples(
    part: Part, ref: LogRef, wanted: list[Mapping], *, start: int, end: int, watch: Watch | None
) -> dict[Key, list[Samples]]:
    """Samples by key, block by block; undated frames lie outside every stretch, doubtful ones are taken out here."""
    by_message: dict[str, list[Mapping]] = {}
    for m in wanted:
        if m.plain and f"{m.message}.{m.signal}" in part.columns:
            by_message.setdefault(m.message, []).append(m)
    mine = {message: {m.signal for m in some} for message, some in by_message.items()}
    theirs = watch.wanted(part, ref) if watch else {}
    derived = Derived([m for m in wanted if not m.plain], part.columns)
    signals = {
        message: sorted(mine.get(message, set()) | {*theirs.get(message, ())} | derived.wanted.get(message, set()))
        for message in {*mine, *theirs, *derived.wanted}
    }
    found: dict[Key, list[Samples]] = {}
    for piece in part.rows(signals, ref.log, max(start, ref.start), min(end, ref.end + 1)):
        arrays = _arrays(piece, mine.get(piece.message, ()))
        for m in by_message.get(piece.message, ()):
            t, raw = arrays[m.signal]
            samples = outside((t, convert(raw, m)), list(ref.doubts))
            if len(samples[0]):
                found.setdefault((m.role, m.item), []).append(samples)
        derived.add(piece)
        if watch and piece.message in theirs:
            watch.take(ref, piece)
    for m, (t, raw) in derived.samples():
        samples = outside((t, convert(raw, m)), list(ref.doubts))
        if len(samples[0]):
            found.setdefault((m.role, m.item), []).append(samples)
    return found


def _arrays(piece: Piece, names: Iterable[str]) -> dict[str, tuple[NDArray[np.int64], NDArray[Any]]]:
    """Times and raw values of signals where they are present in their frames. Signals present in the very same frames,
    as those behind one multiplexor, share their times: what is looked up for one of them then serves all."""
    present: dict[bytes, tuple[NDArray[np.intp], NDArray[np.int64]]] = {}
    found: dict[str, tuple[NDArray[np.int64], NDArray[Any]]] = {}
    for name in names:
        column = piece.columns[name]
        if column.valid is None:
            found[name] = piece.t, column.values
            continue
        key = column.valid.tobytes()
        if key not in present:
            rows = np.flatnonzero(column.valid)
            present[key] = rows, piece.t.take(rows)
        rows, t = present[key]
        found[name] = t, column.values.take(rows)
    return found


def convert(raw: NDArray[Any], m: Mapping) -> NDArray[np.float64]:
    """Values in the role's unit from values in the DBC's; NaN for not available, impossible and unknown states."""
    role = ROLES[m.role]
    missing = np.isin(raw, m.not_available) if m.not_available and m.formula is None else None
    if m.bit is not None:
        value = ((raw.astype(np.int64) >> m.bit) & ((1 << m.width) - 1)).astype(np.float64)
        if m.width > 1:
            value = value * m.scale + m.offset
            value[~((value >= role.low) & (value <= role.high))] = np.nan
    elif m.states:
        value = np.full(len(raw), np.nan)
        for number, state in m.states.items():
            value[raw == number] = state
    elif m.codes:
        value = np.full(len(raw), 2.0**UNNAMED)
        for number, bit in m.codes:
            value[raw == number] = 2.0**bit if bit >= 0 else 0.0
    else:
        value = raw.astype(np.float64)
        if m.scale != 1.0:
            value *= m.scale
        value += m.offset  # also turns -0.0 into 0.0
        # one look at the extremes is enough where all is possible; with NaN among the values both are NaN
        if role.unit != "state" and not (value.size and value.min() >= role.low and value.max() <= role.high):
            value[~((value >= role.low) & (value <= role.high))] = np.nan
    if missing is not None:
        value[missing] = np.nan
    return value
