"""Charge and energy through the pack, both ways, with the share of the session that was really recorded."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.session_charge import session_charge, usual_gap
from herdbook.pipeline.science.coulomb import integrate
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

GAIN = 0.01  # current sensor's gain error when the profile names none (engineering choice)
ZERO_A = 0.05  # its zero error when no rest measured it (engineering choice)
HOLD_S = 30.0


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    current = signals.series("pack_current")
    if len(current) < 3:
        return Outcome()
    span = (session.end - session.start) / 1e6
    charge = session_charge(session, signals)
    hours, n, cover = charge.recorded_s / 3600, len(current), charge.coverage
    rated = profile.pack_figures.rated_ah

    def error(total: float) -> float:
        return float(np.hypot(GAIN * total, ZERO_A * hours))

    through = charge.out_ah + charge.in_ah
    out = [
        Metric("pack_out_ah", charge.out_ah, "Ah", se=error(charge.out_ah), n=n, coverage=cover),
        Metric("pack_in_ah", charge.in_ah, "Ah", se=error(charge.in_ah), n=n, coverage=cover),
        Metric("pack_cycles_efc", through / (2 * rated), "1", se=error(through) / (2 * rated), n=n, coverage=cover),
    ]
    if signals.has("pack_voltage"):
        power = current.v * signals.at(current.t, "pack_voltage", "", HOLD_S)
        energy = integrate(current.t, power, usual_gap(signals, current), span)
        volts = float(np.nanmedian(signals.series("pack_voltage").v))
        for name, wh in (("pack_out_wh", energy.out_ah), ("pack_in_wh", energy.in_ah)):
            out.append(
                Metric(
                    name, wh, "Wh", se=float(np.hypot(GAIN * wh, ZERO_A * hours * volts)), n=n, coverage=energy.coverage
                )
            )
    return Outcome(tuple(out))


SET = MetricSet(
    id="pack_energy",
    subject=Subject.PACK,
    needs=("pack_current",),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "pack_out_ah": ("Ah", "Charge that left the pack"),
        "pack_in_ah": ("Ah", "Charge that entered the pack, from charger or brakes"),
        "pack_out_wh": ("Wh", "Energy that left the pack at its terminals"),
        "pack_in_wh": ("Wh", "Energy that entered the pack at its terminals"),
        "pack_cycles_efc": ("1", "Equivalent full cycles: charge through both ways over twice the rated charge"),
    },
    source="trapezoid rule over the current; a pause over three usual steps carries nothing and lowers the coverage",
)
