"""The signals of several packs side by side: each by itself, and all of them as one.

The packs carry the vehicle together. Whoever joins packs and drive reads the sum of their currents and, of what each
says for itself, the worst: as much of the limits as the most limited pack leaves when they share evenly, the fullest
charge, the groups and sensors of all.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.lake.place import Lake
from herdbook.pipeline.lake.read import LogRef, Published, Watch, load_signals, read_signals, refs_of
from herdbook.pipeline.vehicle.packs import PACK_ROLES, all_of, as_pack
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Series, Signals

SUMMED, MOST, EVENLY = ("pack_current",), ("pack_voltage", "pack_soc"), ("charge_limit", "discharge_limit")
STEP = 1000  # groups and sensors of pack 2 count from 1001 where all stand together


def load_packs(
    store: Published, vehicle: str, start: int, end: int, roles: Collection[str] | None = None, pack: int = 0
) -> Signals:
    """As load_signals(). pack: which of several side by side; 0: all of them as one, where there are several."""
    if pack == 1:
        return load_signals(store, vehicle, start, end, roles)
    known = store.profiles()
    numbers = [pack] if pack else range(1, 1 + _most(known, refs_of(store, vehicle, start, end)))
    return together([load_signals(store, vehicle, start, end, roles, by_pack(known, n)) for n in numbers])


def by_pack(profiles: Iterable[Profile], pack: int) -> list[Profile]:
    """The profiles as they read this pack; those that map none such read nothing."""
    return [as_pack(p, pack) or replace(p, roles=()) for p in profiles]


def signals_of_packs(
    lake: Lake, refs: Sequence[LogRef], profiles: Iterable[Profile], vehicle: str, start: int, end: int, watch: Watch
) -> list[Signals]:
    """The signals of each pack with those of the vehicle, the first's before all; of one pack: one. A profile that maps
    fewer packs than another of these logs has nothing to say of the rest."""
    known = list(profiles)
    first = read_signals(lake, refs, known, vehicle, start, end, watch=watch)
    found = [first]
    for pack in range(2, 1 + _most(known, refs)):
        other = read_signals(lake, refs, by_pack(known, pack), vehicle, start, end, roles=PACK_ROLES)
        shared = {key: series for key, series in first.data.items() if key[0] not in PACK_ROLES}
        data = shared | other.data
        found.append(Signals(vehicle, start, end, {k: data[k] for k in sorted(data, key=str)}))
    return found


def _most(profiles: Iterable[Profile], refs: Iterable[LogRef]) -> int:
    """How many packs the profiles of these logs map."""
    used = {ref.profile for ref in refs}
    return max((len(all_of(p)) for p in profiles if p.name in used), default=1)


def together(packs: Sequence[Signals]) -> Signals:
    """All packs as one, on the first's times; NaN where one of them has no fresh value of what is added up."""
    if len(packs) == 1:
        return packs[0]
    first, data = packs[0], dict(packs[0].data)
    for role in (*SUMMED, *MOST, *EVENLY):
        own = first.series(role)
        each = [own.v, *(p.at(own.t, role, hold_s=_hold_s(p.series(role))) for p in packs[1:])]
        if len(own):
            data[role, ""] = Series(own.t, _one(role, each))
    for number, other in enumerate(packs[1:], start=1):
        for (role, item), series in other.data.items():
            if ROLES[role].index in ("cell", "sensor") and isinstance(item, int):
                data[role, item + number * STEP] = series
    return Signals(first.vehicle, first.start, first.end, {k: data[k] for k in sorted(data, key=str)})


def _one(role: str, each: list[Floats]) -> Floats:
    if role in SUMMED:
        return np.asarray(np.sum(each, axis=0))
    with np.errstate(invalid="ignore"):
        return np.asarray(np.fmax.reduce(each) if role in MOST else len(each) * np.minimum.reduce(each))


def _hold_s(s: Series) -> float:
    """A value is fresh for three of its own steps, two seconds at least."""
    return max(2.0, 3.0 * float(np.median(np.diff(s.t))) / 1e6) if len(s) > 1 else 2.0
