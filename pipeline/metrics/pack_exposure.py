"""What the pack lived through: hours by temperature and by voltage, and the hours at 25 °C that age as much.

The equivalent hours use the activation energy of the profile (pack.ageing_ea_ev), else of its chemistry: a rule of
thumb for comparing histories, not a forecast of life. Only recorded time counts.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.arrhenius import equivalent_hours
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.science.stretches import held_s
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

TEMPS_C = (-100, 0, 10, 25, 35, 45, 60, 1000)
HOLD_S = (30.0, 600.0)  # a reading stands for three usual steps, within these: a thinned log is not an empty one
EVERY_S = 1.0  # decimation: these change slowly


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    out: list[Metric] = []
    pack = profile.pack_figures
    volts = (0.0, *pack.of_chemistry.bands_v, 100.0)
    span = max((session.end - session.start) / 1e6, 1e-9)
    for name, bands, unit in (("cell_temp", TEMPS_C, "degC"), ("cell_voltage", volts, "V")):
        t, values, hold_s = _hottest(signals, name)
        if not t.size:
            continue
        hours = held_s(t, hold_s) / 3600
        known = np.isfinite(values)
        cover = min(1.0, float(hours[known].sum()) * 3600 / span)
        kind = "temp_hours" if name == "cell_temp" else "voltage_hours"
        for low, high in pairwise(bands):
            spent = float(hours[known & (values >= low) & (values < high)].sum())
            if spent:
                out.append(Metric(kind, spent, "h", n=t.size, coverage=cover, item=_band(low, high, bands, unit)))
        if name == "cell_temp":
            aged = equivalent_hours(pack.ageing_ea_ev, values[known], hours[known])
            out.append(Metric("pack_age_hours_25c", aged, "h", n=int(known.sum()), coverage=cover))
            out.append(Metric("pack_hours", float(hours[known].sum()), "h", n=int(known.sum()), coverage=cover))
    return Outcome(tuple(out))


def _hottest(signals: Signals, name: str) -> tuple[np.ndarray, Floats, float]:
    """Highest of the role's items at about every second, and for how long a reading stands: (t, values, s)."""
    items = [i for i in signals.items(name) if len(signals.series(name, i)) > 1]
    if not items:
        return np.empty(0, np.int64), np.empty(0), 0.0
    lead = signals.series(name, items[0])
    period = max(median(np.diff(lead.t[:5000])) / 1e6, 1e-3)
    hold_s = float(np.clip(3 * period, *HOLD_S))
    t = lead.t[:: max(1, round(EVERY_S / period))]
    return t, np.fmax.reduce([signals.at(t, name, i, hold_s) for i in items]), hold_s


def _band(low: float, high: float, bands: tuple[float, ...], unit: str) -> str:
    if low == bands[0]:
        return f"below {high:g} {unit}"
    return f"{low:g} {unit} and more" if high == bands[-1] else f"{low:g} to {high:g} {unit}"


SET = MetricSet(
    id="pack_exposure",
    subject=Subject.PACK,
    needs=("pack_current",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "temp_hours": ("h", "Time the hottest cell sensor spent in a band"),
        "voltage_hours": ("h", "Time the highest group spent in a band"),
        "pack_age_hours_25c": ("h", "Hours at 25 °C that age as much (Arrhenius)"),
        "pack_hours": ("h", "Hours behind that figure"),
    },
    source="Arrhenius: NIST/SEMATECH e-Handbook 8.1.5.1",
)
