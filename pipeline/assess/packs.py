"""Several packs side by side, measured: what concerns a pack once a pack, the rest once by all of them together
(pipeline/lake/packs.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from herdbook.pipeline.metrics import all_sets, measured
from herdbook.pipeline.metrics.set import MetricSet, Outcome
from herdbook.pipeline.metrics.temp_sensors import FAMILIES
from herdbook.pipeline.vehicle.packs import as_pack, marked
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Signals

# Packs side by side send each other current while the vehicle is still: what flows then is no sensor's offset.
ALONE = ("pack_rest_a", "pack_idle_a", "pack_less_charger_a")


def measure_packs(
    session: Session, packs: Sequence[Signals], whole: Signals, profile: Profile, own: Mapping[str, MetricSet]
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
