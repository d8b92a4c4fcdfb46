"""How near a session came to its limits: temperatures, currents, pack and DC-link voltage.

Limits are the profile's; a current is also held against what the pack allowed at that moment. Groups' voltages stand
in cell_limits, which smooths them anyway. Event "least_margin" (item as in the metrics): its moment, with value,
limit, margin and share.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.heat_grid import covered
from herdbook.pipeline.metrics.shared.least_margin import GIVES, Margin, least
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Series, Signals

ROOM_C = 25.0
HOLD_S = 60.0
FLOWS_C = 1 / 50  # of rated charge: less current is no use of the pack (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    metrics, events = [], []
    for series, margin in [
        *_temperatures(signals, profile),
        *_currents(signals, profile),
        *_voltages(signals, profile),
    ]:
        if margin is not None:
            some, event = margin.rows(covered(signals, series, session))
            metrics += some
            events.append(event)
    return Outcome(tuple(metrics), tuple(events))


Found = tuple[Series, Margin | None]


def _temperatures(signals: Signals, profile: Profile) -> Iterator[Found]:
    drive, pack = profile.drive_figures, profile.pack_figures
    for role, limit, word in (("motor_temp", drive.winding_max_c, "motor"), ("fet_temp", drive.fet_max_c, "fet")):
        for side in signals.items(role):
            s = signals.series(role, side)
            if limit is not None:
                yield s, least(f"{word} {side}", "K", s.t, v=s.v, limit=limit, span=limit - ROOM_C)
    flows = FLOWS_C * pack.rated_ah
    for where, limit, sign in (
        ("cell hot in charge", pack.charge_max_c, -1.0),
        ("cell cold in charge", pack.charge_min_c, -1.0),
        ("cell hot in discharge", pack.discharge_max_c, 1.0),
        ("cell cold in discharge", pack.discharge_min_c, 1.0),
    ):
        if limit is not None and limit != ROOM_C:
            yield from _cells(signals, where, limit, sign=sign, flows=flows, highest="hot" in where)


def _cells(signals: Signals, where: str, limit: float, sign: float, flows: float, highest: bool) -> Iterator[Found]:
    """The nearest of all sensors, over readings with current of that sign."""
    nearest: tuple[Series, Margin] | None = None
    for sensor in signals.items("cell_temp"):
        s = signals.series("cell_temp", sensor)
        on = sign * signals.at(s.t, "pack_current", hold_s=HOLD_S) > flows  # NaN compares false
        under = np.inf if nearest is None else nearest[1].margin
        found = least(
            where, "K", s.t[on], v=s.v[on], limit=limit, span=abs(limit - ROOM_C), highest=highest, under=under
        )
        if found is not None:
            nearest = s, replace(found, group=int(sensor))
    if nearest is not None:
        yield nearest


def _currents(signals: Signals, profile: Profile) -> Iterator[Found]:
    s = signals.series("pack_current")
    pack = profile.pack_figures
    flows = FLOWS_C * pack.rated_ah
    for way, sign, own in (("charge", -1.0, pack.max_charge_a), ("discharge", 1.0, pack.max_discharge_a)):
        amps = sign * s.v
        on = amps > flows
        if own is not None and own > 0 and on.any():
            t = s.t[on]
            said = signals.at(t, f"{way}_limit", hold_s=3.0)
            yield s, least(way, "A", t, v=amps[on], limit=np.fmin(said, own), span=own)


def _voltages(signals: Signals, profile: Profile) -> Iterator[Found]:
    of = profile.pack_figures
    pack_v = of.pack_max_v or (of.cells * of.cell_max_v if of.cells and of.cell_max_v else None)
    for role, word, limit in (
        ("dc_link_voltage", "dc link", profile.drive_figures.dc_link_max_v),
        ("pack_voltage", "pack", pack_v),
    ):
        for item in signals.items(role):
            s = signals.series(role, item)
            if limit:
                yield s, least(f"{word} {item}".strip(), "V", s.t, v=s.v, limit=limit, span=limit)


SET = MetricSet(
    id="margins",
    subject=Subject.PACK,
    needs=(),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge", "bench"),
    compute=compute,
    gives=GIVES
    | {
        "margin_k": ("K", "Least distance to a temperature limit; negative: passed"),
        "margin_a": ("A", "Least distance to what the pack allowed at that moment; negative: passed"),
    },
    source="limits: the vehicle profile, and for currents what the pack allows from moment to moment",
)
