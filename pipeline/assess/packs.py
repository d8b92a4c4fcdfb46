"""Several packs side by side, measured: what concerns a pack once a pack, the rest once by all of them together.

The packs carry the vehicle together. What joins packs and drive reads the sum of their currents and, of what each says
for itself, the worst: as much of the limits as the most limited pack leaves when they share evenly, the fullest
charge, the groups and sensors of all.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.lake.cadence import Cadence
from herdbook.pipeline.lake.place import Lake
from herdbook.pipeline.lake.read import LogRef, read_signals
from herdbook.pipeline.metrics import all_sets, measured
from herdbook.pipeline.metrics.set import MetricSet, Outcome
from herdbook.pipeline.metrics.temp_sensors import FAMILIES
from herdbook.pipeline.vehicle.packs import PACK_ROLES, all_of, as_pack, marked
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Series, Signals

# Packs side by side send each other current while the vehicle is still: what flows then is no sensor's offset.
ALONE = ("pack_rest_a", "pack_idle_a", "pack_less_charger_a")
SUMMED, MOST, EVENLY = ("pack_current",), ("pack_voltage", "pack_soc"), ("charge_limit", "discharge_limit")
STEP = 1000  # groups and sensors of pack 2 count from 1001 where all stand together


def signals_of_packs(
    lake: Lake, refs: Sequence[LogRef], profiles: Iterable[Profile], vehicle: str, start: int, end: int, watch: Cadence
) -> list[Signals]:
    """The signals of each pack with those of the vehicle, the first's before all; of one pack: one. A profile that maps
    fewer packs than another of these logs has nothing to say of the rest."""
    known = list(profiles)
    used = {ref.profile for ref in refs}
    first = read_signals(lake, refs, known, vehicle, start, end, watch=watch)
    found = [first]
    for pack in range(2, 1 + max((len(all_of(p)) for p in known if p.name in used), default=1)):
        read = [as_pack(p, pack) or replace(p, roles=()) for p in known]
        roles = [name for name in ROLES if name in PACK_ROLES]
        other = read_signals(lake, refs, read, vehicle, start, end, roles=roles)
        shared = {key: series for key, series in first.data.items() if key[0] not in PACK_ROLES}
        data = shared | {key: series for key, series in other.data.items() if key[0] in PACK_ROLES}
        found.append(Signals(vehicle, start, end, {k: data[k] for k in sorted(data, key=str)}))
    return found


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


def measure_packs(
    session: Session, packs: Sequence[Signals], whole: Signals, profile: Profile, own: dict[str, MetricSet]
) -> Outcome:
    """All metrics and events of one session; those of the further packs under their marks. packs: signals of each;
    whole: of all together. own: a store's sets, which know of one pack."""
    every = all_sets().values()
    cut = [p.between(session.start, session.end) for p in packs]
    of_vehicle = whole.between(session.start, session.end)
    parts = [
        measured([s for s in every if not s.each_pack], session, of_vehicle, profile.whole or profile),
        measured(own.values(), session, cut[0], profile),
    ]
    sets = [s for s in every if s.each_pack]
    for number, signals in enumerate(cut, start=1):
        by = as_pack(profile, number)
        if by is not None:
            parts.append(_of_pack(number, measured(sets, session, signals if number == 1 else _bare(signals), by)))
    return Outcome(tuple(m for p in parts for m in p.metrics), tuple(e for p in parts for e in p.events))


def _bare(signals: Signals) -> Signals:
    """Without what is a motor's: that is measured with the first pack."""
    data = {k: s for k, s in signals.data.items() if ROLES[k[0]].index != "side" or k[0] == "motor_speed"}
    return Signals(signals.vehicle, signals.start, signals.end, data)


def _of_pack(number: int, outcome: Outcome) -> Outcome:
    metrics = [
        m for m in outcome.metrics if m.name not in ALONE and not (number > 1 and m.item == FAMILIES["ambient_temp"])
    ]
    return Outcome(
        tuple(replace(m, name=marked(number, m.name)) for m in metrics),
        tuple(replace(e, kind=marked(number, e.kind)) for e in outcome.events),
    )
