"""How a charge went: how much, how long, and how it ended.

An end is one of: `complete` (the current fell to the charger's end current with groups near their top, or
the charger says done), `group_limit` (one group was at the top while the median was far below),
`charger_fault` (the charger says so), `unplugged` (current still flowed when it ended, nobody can say why),
`still_charging` (the record ends first).
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.pack_energy import GAIN, ZERO_A
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.coulomb import integrate, usual_gap_s
from herdbook.pipeline.science.stretches import held_s
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Signals

LAST_US = 30_000_000  # before the end of its current: half a pulse of the chargers that pulse (engineering choice)
ENDS = ("complete", "group_limit", "charger_fault", "unplugged", "still_charging", "stopped_short")
STATES = ROLES["charger_state"].states
NO_GROUP_V = 0.4  # so far over its limit a reading is a wire's, not a group's (engineering choice)
AT_LIMIT_V, FAR_V = 0.06, 0.05  # a group's limit is reached from here on; far from full (engineering choices)
YET, YET_C = 3.0, 0.1  # times the current of its end, and C (engineering choices; whole charges of an outside
# simulation, read by a sensor with a zero of its own, ended at up to 2.5 times it)
LEAD_V = 0.12  # one group so far above the median ended the charge (engineering choice; usual spread: 30 mV)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    if session.kind == "rest":
        return _after(signals)
    current = signals.series("pack_current")
    least = profile.pack_figures.rated_ah / 60
    on = current.v < -least
    if on.sum() < 20:
        return Outcome()
    first, last = np.flatnonzero(on)[[0, -1]]
    charge = integrate(current.t, np.minimum(current.v, 0.0), None, (session.end - session.start) / 1e6)
    step_s = usual_gap_s(current.t)
    minutes = float(held_s(current.t, step_s)[on].sum()) / 60
    mean_a = charge.in_ah / max(minutes / 60, 1e-9)
    error = float(np.hypot(GAIN * charge.in_ah, ZERO_A * charge.recorded_s / 3600))  # as for pack_in_ah
    end, data = _ending(signals, profile, int(current.t[last]), least)
    metrics = [
        Metric("charge_ah", charge.in_ah, "Ah", se=error, n=len(current), coverage=charge.coverage),
        Metric("charge_min", minutes, "min", se=step_s / 60, n=int(on.sum()), coverage=charge.coverage),
        Metric("charge_mean_a", mean_a, "A", float(np.hypot(GAIN * mean_a, ZERO_A)), int(on.sum())),
        Metric("charge_end", float(ENDS.index(end)), "1", None, 1),
    ]
    metrics += [
        Metric(f"charge_{name}", value, name.rsplit("_", 1)[1].upper(), None, 1) for name, value in data.items()
    ]
    span = (int(current.t[first]), int(current.t[last]))
    return Outcome(tuple(metrics), (Event("charge", *span, end, data),))


def _after(signals: Signals) -> Outcome:
    """What the charger says in the first minute of a rest: a session of charging ends with its current."""
    state = signals.series("charger_state")
    early = state.v[(state.t < signals.start + 60_000_000) & np.isfinite(state.v)]
    if not early.size:
        return Outcome()
    return Outcome((Metric("charger_after", float(np.median(early)), "1", None, early.size),))


def _ending(signals: Signals, profile: Profile, t_end: int, least: float) -> tuple[str, dict[str, float]]:
    data: dict[str, float] = {}
    moment = np.array([t_end])
    current = signals.series("pack_current")
    flows = (current.t > t_end - LAST_US) & (current.t <= t_end) & (current.v < -least)
    amps = float(np.median(current.v[flows]))  # a charger that pulses pauses: what it gave is what counts
    data["end_a"] = -amps
    groups = [float(signals.at(moment, "cell_voltage", i, 15.0)[0]) for i in signals.items("cell_voltage")]
    volts = np.array([v for v in groups if np.isfinite(v)])
    if volts.size:
        data["end_highest_v"], data["end_median_v"] = float(volts.max()), float(np.median(volts))
    pack, chemistry = profile.pack_figures, profile.pack_figures.of_chemistry
    top, full_v = pack.cell_max_v, chemistry.full_v
    if top is not None:  # a wire without contact gives its neighbour volts that no charger gave it
        volts = volts[volts < top + NO_GROUP_V]
        if volts.size:
            data["end_highest_v"], data["end_median_v"] = float(volts.max()), float(np.median(volts))
    if _said(signals, t_end, "fault"):
        return "charger_fault", data
    end_a = 3 * least if pack.charge_end_a is None else max(1.5 * pack.charge_end_a, least * 1.2)
    if volts.size and top is not None and volts.max() > top - AT_LIMIT_V:
        # Near full the curve is so steep that a sound pack spreads by 0.2 V: what counts is where the median stands.
        behind = full_v if -amps > end_a else chemistry.plateau_v[1]  # still on the plateau: several per cent from full
        if data["end_highest_v"] - data["end_median_v"] > LEAD_V and data["end_median_v"] < behind:
            return "group_limit", data
    done, small = _said(signals, t_end, "done"), -amps <= end_a
    if done and not small and _below_its_end(volts, -amps, profile):
        return "stopped_short", data
    if done or (small and (not volts.size or volts.mean() > full_v - FAR_V)):
        return "complete", data
    return ("still_charging" if signals.end - t_end < 3_000_000 else "unplugged"), data


def _below_its_end(volts: Floats, amps: float, profile: Profile) -> bool:
    """Whether a charge that ended with its current flowing ended too soon: with the groups far from full; or, of a
    charger that is known to wait until its current has fallen, long before that and with no group at its limit."""
    pack = profile.pack_figures
    if not volts.size:
        return False
    if volts.mean() < pack.of_chemistry.full_v - FAR_V:
        return True
    waits, top = flows_yet(profile), pack.cell_max_v
    return bool(waits is not None and amps > waits and top is not None and volts.max() < top - AT_LIMIT_V)


def flows_yet(profile: Profile) -> float | None:
    """Current from which on a charger that waits until its current has fallen is far from its end, A; None: not known.

    Read every few seconds by a sensor with a zero of its own, the end of a whole charge may show more than twice the
    current at which the charger ends it."""
    pack = profile.pack_figures
    return None if pack.charge_end_a is None else max(YET * pack.charge_end_a, YET_C * pack.rated_ah)


def _said(signals: Signals, t_end: int, word: str) -> bool:
    """The charger reported the state within half a minute of the end of current, in two frames at least."""
    state = signals.series("charger_state")
    near = (state.t > t_end - 2_000_000) & (state.t < t_end + 30_000_000)
    return int((state.v[near] == STATES.index(word)).sum()) >= 2


SET = MetricSet(
    id="charge",
    subject=Subject.PACK,
    needs=("pack_current",),
    figures=("pack.rated_ah",),
    kinds=("charge", "rest"),
    compute=compute,
    gives={
        "charge_ah": ("Ah", "Charge put in"),
        "charge_min": ("min", "Time with charge current"),
        "charge_mean_a": ("A", "Mean charge current over that time"),
        "charge_end": (
            "1",
            "How it ended: 0 complete, 1 group limit, 2 charger fault, 3 unplugged, 4 not seen, 5 stopped short",
        ),
        "charger_after": ("1", "State of the charger in the first minute of a rest, as numbered in its role"),
        "charge_end_a": ("A", "Charge current shortly before the end"),
        "charge_end_highest_v": ("V", "Highest group at the end"),
        "charge_end_median_v": ("V", "Median group at the end"),
    },
    source="definitions: this file",
    version=6,  # pulses, and a charger's own end current; in 3 the zero of the sensor is in the error
)
