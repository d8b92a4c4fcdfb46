"""The pack's voltage on the way down and on the way up, at equal charge: by bands of reported state of charge.

Volts while riding over volts while charging, band by band, is the share of the charger's energy that comes back, if no
charge is lost on the way (pipeline/health/pack/round_trip.py). The ends are left out: there the voltage hangs on
every per cent.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.pack_energy import GAIN, HOLD_S, ZERO_A
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.session_charge import usual_gap
from herdbook.pipeline.science.stretches import held_s
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

LOWEST_PCT, HIGHEST_PCT, WIDTH_PCT = 10.0, 90.0, 10.0
SOC_HOLD_S = 60.0
LEAST_SHARE = 0.002  # of rated charge in a band: less is no mean voltage (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    current = signals.series("pack_current")
    if len(current) < 10:
        return Outcome()
    way, sign = ("in", -1.0) if session.kind == "charge" else ("out", 1.0)
    volts = signals.at(current.t, "pack_voltage", "", HOLD_S)
    soc = signals.at(current.t, "pack_soc", "", SOC_HOLD_S)
    amps = sign * current.v
    with np.errstate(invalid="ignore"):
        used = (amps > 0) & np.isfinite(volts) & (soc >= LOWEST_PCT) & (soc < HIGHEST_PCT)
    if not used.any():
        return Outcome()
    hours = held_s(current.t, usual_gap(signals, current))[used] / 3600
    band = ((soc[used] - LOWEST_PCT) / WIDTH_PCT).astype(np.int64)
    count, spent = np.bincount(band), np.bincount(band, hours)
    ah = np.bincount(band, hours * amps[used])
    wh = np.bincount(band, hours * amps[used] * volts[used])
    out: list[Metric] = []
    for k in np.flatnonzero(ah > LEAST_SHARE * profile.pack_figures.rated_ah):
        low = LOWEST_PCT + k * WIDTH_PCT
        item, n = f"{way} {low:.0f}..{low + WIDTH_PCT:.0f} %", int(count[k])
        se = float(np.hypot(GAIN * ah[k], ZERO_A * spent[k]))
        out.append(Metric("pack_band_ah", float(ah[k]), "Ah", se=se, n=n, coverage=1.0, item=item))
        out.append(Metric("pack_band_v", float(wh[k] / ah[k]), "V", n=n, coverage=1.0, item=item))
    return Outcome(tuple(out))


SET = MetricSet(
    id="pack_bands",
    subject=Subject.PACK,
    needs=("pack_current", "pack_voltage", "pack_soc"),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge"),
    compute=compute,
    gives={
        "pack_band_ah": ("Ah", "Charge out of the pack in rides, or into it in charges, by band of reported charge"),
        "pack_band_v": ("V", "Mean voltage at the pack's terminals over that charge"),
    },
    source="definition: energy over charge in each band",
)
