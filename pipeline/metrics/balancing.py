"""What the balancer did: time and charge bled from each group, and how long the pack stood where it may work.

Bled charge = time on x voltage / bleed resistor (profile: pack.bleed_ohm, or a current pack.bleed_a). The
resistor's tolerance, 5 % (engineering choice), is its error; the time is counted only between frames that
follow each other.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.science.stretches import held_s
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

HOLD_S = 10.0  # at least; slow messages hold for three of their periods, up to ten minutes
TOLERANCE = 0.05
BELOW_START_V = 0.03  # this far under the start voltage no balancer has reason to work (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    start_v = profile.pack_figures.balance_start_v
    metrics: list[Metric] = []
    for item in signals.items("cell_bleed"):
        metrics += _group(str(item), item, signals, profile, start_v)
    return Outcome((*metrics, *_top(signals, start_v)))


def _group(name: str, item: int | str, signals: Signals, profile: Profile, start_v: float) -> list[Metric]:
    bleed = signals.series("cell_bleed", item)
    on = bleed.v > 0.5
    stands, seen, current = signals.once(("bleed", id(bleed.t)), lambda: _moments(bleed.t, signals))
    volts = signals.at(bleed.t, "cell_voltage", item, 60.0)
    cover = seen / max((signals.end - signals.start) / 1e6, 1e-9)
    n = int(np.isfinite(bleed.v).sum())
    idle = on & (volts < start_v - BELOW_START_V) & (current > -0.5)
    out = [
        Metric("cell_bleed_s", float(stands[on].sum()), "s", n=n, coverage=cover, item=name),
        Metric(
            "cell_bleed_idle_share",
            float(stands[idle].sum()) / seen if seen else 0.0,
            "1",
            n=n,
            coverage=cover,
            item=name,
        ),
    ]
    amps = _bleed_a(profile, np.where(np.isfinite(volts), volts, profile.pack_figures.of_chemistry.balance_start_v))
    if amps is not None:
        ah = float((stands * amps)[on].sum() / 3600)
        out.append(Metric("cell_bled_ah", ah, "Ah", se=TOLERANCE * ah, n=n, coverage=cover, item=name))
    return out


def _moments(t: Times, signals: Signals) -> tuple[Floats, float, Floats]:
    """What groups reported by one message have in common: for how long each report stands, all of it, the current."""
    stands = held_s(t, _hold_s(t))
    return stands, float(stands.sum()), signals.at(t, "pack_current", "", 60.0)


def _hold_s(t: Times) -> float:
    period = median(np.diff(t)) / 1e6 if t.size > 1 else 0.0
    return float(np.clip(3 * period, HOLD_S, 600.0))


def _bleed_a(profile: Profile, volts: Floats) -> Floats | None:
    ohm, amps = profile.pack_figures.bleed_ohm, profile.pack_figures.bleed_a
    if ohm is not None and ohm > 0:
        return np.asarray(volts / ohm)
    return None if amps is None else np.full(volts.shape, amps)


def _top(signals: Signals, start_v: float) -> list[Metric]:
    """Time in which the median group stood above the balancer's start voltage."""
    items = signals.items("cell_voltage")
    lead = signals.series("cell_voltage", items[0]) if items else None
    if lead is None or len(lead) < 2:
        return []
    t = lead.t[:: max(1, len(lead) // 20000)]
    hold = _hold_s(t)
    reach = sum(bool((signals.series("cell_voltage", i).v > start_v).any()) for i in items)
    if 2 * reach < len(items):  # nor can their median: most rides stay below
        return [Metric("balance_time_s", 0.0, "s", None, int(t.size))]
    volts = np.stack([signals.at(t, "cell_voltage", i, HOLD_S) for i in items])
    half = np.flatnonzero(2 * np.count_nonzero(volts > start_v, axis=0) >= len(items))  # elsewhere the median is below
    above = half[np.median(volts[:, half], axis=0) > start_v]  # NaN compares false
    return [Metric("balance_time_s", float(held_s(t, hold)[above].sum()), "s", None, int(t.size))]


SET = MetricSet(
    id="balancing",
    subject=Subject.CELLS,
    needs=("cell_bleed",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "cell_bleed_s": ("s", "Time the group's balancing resistor was reported on"),
        "cell_bleed_idle_share": ("1", "Share of the time it was on with no reason: group low and no charge"),
        "cell_bled_ah": ("Ah", "Charge bled from the group"),
        "balance_time_s": ("s", "Time the median group stood above the balancer's start voltage"),
    },
    source="physics: I = V / R over the time on",
)
