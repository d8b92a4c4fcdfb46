"""Run vehicles through their outings and see them as Herdbook would: (Session, Signals) without any log file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zlib import crc32

import numpy as np

from demo_logs.simulator.batch import Batch, new_batch
from demo_logs.simulator.charge import charge, rest
from demo_logs.simulator.logger import Logger, Observed, observe
from demo_logs.simulator.ride import ride
from demo_logs.simulator.spec import Vehicle
from demo_logs.simulator.trace import Trace
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Key, Series, Signals


@dataclass(frozen=True, slots=True)
class Outing:
    """One session to come. start: microseconds UTC. air_c: air temperature. style of a ride: "town", "down",
    "slow". soc_pct: charge it begins at, reached by use that no log shows (None: as the last one left it)."""

    kind: str
    start: int
    minutes: float
    air_c: float = 18.0
    style: str = "town"
    soc_pct: float | None = None


def outings_of(
    vehicles: Sequence[Vehicle], outings: Sequence[Outing] | Sequence[Sequence[Outing]]
) -> Iterator[tuple[list[Outing], Trace, Batch]]:
    """Simulate session after session. outings: one list for all vehicles, or one list a vehicle; the k-th
    outings of all vehicles must be of one kind and length. Raises: ValueError when they are not."""
    batch = new_batch(list(vehicles))
    lists = [[o] * len(vehicles) if isinstance(o, Outing) else list(o) for o in _slots(outings)]
    for slot in lists:
        first = slot[0]
        if any((o.kind, o.minutes) != (first.kind, first.minutes) for o in slot):
            raise ValueError("the same outing of a batch must have one kind and one length")
        start = np.array([o.start for o in slot], np.int64)
        batch.begin(start, np.array([o.air_c for o in slot]), _used(batch, slot), first.kind == "ride")
        if first.kind == "ride":
            trace, _ = ride(batch, first.minutes, [o.style for o in slot])
        elif first.kind == "charge":
            trace = charge(batch, first.minutes)
        else:
            trace = rest(batch, first.minutes)
        yield slot, trace, batch


def _slots(outings: Sequence[Outing] | Sequence[Sequence[Outing]]) -> Sequence[Outing | Sequence[Outing]]:
    if outings and not isinstance(outings[0], Outing):
        return list(zip(*outings, strict=True))
    return outings


def _used(batch: Batch, slot: list[Outing]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Ah through all groups since the last session so that the outing begins at its charge."""
    cells = batch.pack.cells
    now = cells.soc.mean(axis=1)
    want = np.array([now[i] if o.soc_pct is None else o.soc_pct / 100.0 for i, o in enumerate(slot)])
    used = (now - want) * cells.ah.mean(axis=1)
    room = ((cells.soc - 0.9995) * cells.ah).max(axis=1)  # not past full in the fullest group
    return np.asarray(np.maximum(used, room))


def noise_rng(vehicle: Vehicle, outing: Outing) -> np.random.Generator:
    """The logger's and the sensors' own random numbers, apart from those of the physics."""
    return np.random.default_rng([vehicle.seed, vehicle.serial, crc32(outing.kind.encode()), outing.start // 1_000_000])


def to_signals(vehicle: str, start: int, end: int, observed: list[Observed], profile: Profile) -> Signals:
    """Samples in canonical units."""
    del profile
    data: dict[Key, Series] = {}
    for seen in observed:
        for f in seen.message.fields:
            if f.signal not in seen.raw:
                continue
            m, raw = f.mapping, seen.raw[f.signal]
            t = seen.t if f.page is None else seen.t[seen.page == f.page]
            if m.states:
                table = np.full(max(m.states) + 1, np.nan)
                for count, index in m.states.items():
                    table[count] = index
                value = table[raw]
            else:
                physical = raw * f.step + f.base
                value = physical * m.scale + m.offset
                for gone in m.not_available:
                    value = np.where(np.abs(physical - gone) < f.step / 2, np.nan, value)
            keep = np.concatenate([[True], np.diff(t) > 0]) if len(t) else np.zeros(0, bool)
            data[m.role, m.item] = Series(t[keep], value[keep])
    return Signals(vehicle, start, end, data)


def signals_of(
    vehicles: Sequence[Vehicle],
    outings: Sequence[Outing] | Sequence[Sequence[Outing]],
    logger: Logger | None = None,
) -> list[tuple[Session, Signals]]:
    """Every session of every vehicle, session after session, in the order of `vehicles`."""
    logger = logger or Logger()
    out = []
    for slot, trace, _ in outings_of(vehicles, outings):
        for row, (vehicle, outing) in enumerate(zip(vehicles, slot, strict=True)):
            rng = noise_rng(vehicle, outing)
            seen = observe(trace, row, vehicle.profile, outing.kind, logger, rng, vehicle.noise)
            start = int(trace.start_us[row])
            end = start + int(outing.minutes * 60e6)
            session = Session(vehicle.name, outing.kind, start, end)
            out.append((session, to_signals(vehicle.name, start, end, seen, vehicle.profile)))
    return out
