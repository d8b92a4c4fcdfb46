"""DC resistance of each group from current steps, at stated pulse lengths, and brought to 25 °C.

Temperature law: R(T) = R(25) exp(Ea/k (1/T - 1/298.15 K)). Ea comes from the profile (pack.cell_r_ea_ev), else
from its chemistry. T is the median cell sensor at the step. Steps smaller than 0.3 C are not used: 1 mV and 0.1 A of
resolution would be 4 % of 5 A.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.pack_energy import GAIN
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.steady_moments import period_s, range_allowed_a
from herdbook.pipeline.science.arrhenius import BOLTZMANN_EV, KELVIN, resistance_factor
from herdbook.pipeline.science.pulses import Running, Steps, find_steps, resistance, resistances, responses, unsettled
from herdbook.pipeline.science.robust_fit import STEP_SD, known_medians, median
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

PULSES_S = (0.5, 2.0, 10.0)
LEAST_STEPS = 5
STEPS_A_COLUMN = 4  # for each while of what went before (engineering choice)
LEAST_STEP_C = 0.3
# A resistance grows with the time since the step, by half to three times from 0.1 s to 10 s (common practice): about as
# the power 0.15 of time.
GROWTH = 0.15
# Sensors of cells are off by so much, and activation energies of LFP cells lie so far apart (engineering choices; 0.18
# to 0.36 eV by process in the set of M. Prada et al., J. Electrochem. Soc. 160 (2013) A616, from memory).
SENSOR_K, EA_EV = 1.0, 0.06
MOST_STEPS = 2000  # newest kept; a day of riding has hundreds


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    current = signals.series("pack_current")
    rated = profile.pack_figures.rated_ah
    cells = _Cells(signals)
    metrics: list[Metric] = []
    found = find_steps(current.t, current.v, PULSES_S, LEAST_STEP_C * rated, range_allowed_a(profile))
    for pulse_s, steps in zip(PULSES_S, found, strict=True):
        steps = Steps(steps.t0[-MOST_STEPS:], steps.change[-MOST_STEPS:])
        if len(steps) >= LEAST_STEPS:
            metrics += _at(pulse_s, steps, cells, signals, profile)
    return Outcome(tuple(metrics))


class _Cells:
    """Running sums of the groups' voltages with their period, each made when first asked for."""

    def __init__(self, signals: Signals) -> None:
        self.series = {i: signals.series("cell_voltage", i) for i in signals.items("cell_voltage")}
        self.period_s = {i: period_s(signals, s) for i, s in self.series.items()}
        self.known: dict[int | str, Running] = {}

    def running(self, item: int | str) -> Running:
        if item not in self.known:
            self.known[item] = Running.of(self.series[item].t, self.series[item].v)
        return self.known[item]


def _at(pulse_s: float, steps: Steps, cells: _Cells, signals: Signals, profile: Profile) -> list[Metric]:
    label = f"{pulse_s:g}s"
    temp = _temperature(steps, signals)
    factor = resistance_factor(profile.pack_figures.cell_r_ea_ev, temp)
    current = signals.series("pack_current")
    items = [i for i, period in cells.period_s.items() if period <= max(1.0, 0.2 * pulse_s)]
    if not items:
        return []
    out, changes = [], []
    shared = float(np.hypot(GAIN, GROWTH * STEP_SD * period_s(signals, current) / pulse_s))
    every = np.array([responses(cells.running(i), steps, pulse_s) for i in items])
    memory = unsettled(current.t, current.v, steps, pulse_s)
    few = np.isfinite(every).sum(axis=1).min() < STEPS_A_COLUMN * memory.shape[1]
    memory, less = (memory[:, :-1], None) if few else (memory, memory[:, :-1])
    fits, fewer = (resistances(every, steps.change, None, columns) for columns in (memory, less))
    for item, change, fit, shorter in zip(items, every, fits, fewer, strict=True):
        if fit[2] >= LEAST_STEPS:
            out.append(_metric(f"cell_dcr_{label}_mohm", fit, shorter, shared, str(item)))
            changes.append(change)
    if not changes:
        return []
    middle = known_medians(np.array(changes))
    warmth = _warmth(temp, profile.pack_figures.cell_r_ea_ev)
    for name, law, more in ((f"group_dcr_{label}_mohm", None, 0.0), (f"group_dcr_{label}_25c_mohm", factor, warmth)):
        fit = resistance(middle, steps.change, law, memory)
        if fit[2] >= LEAST_STEPS:
            out.append(_metric(name, fit, resistance(middle, steps.change, law, less), float(np.hypot(shared, more))))
    return out


Fit = tuple[float, float, int]


def _metric(name: str, fit: Fit, shorter: Fit, shared: float, item: str = "") -> Metric:
    """fit: ohm, its own error, steps. shorter: the same with one while less of what went before the steps taken out
    (few steps: with none): a few whiles stand for many time constants, so that one more would change about as much.
    shared: error of all steps alike as a share, by the sensor's gain and by the moment of a step, which lies within a
    frame."""
    ohm, own, n = fit
    se = float(np.sqrt(own**2 + (ohm - shorter[0]) ** 2 + (shared * ohm) ** 2))
    return Metric(name, 1000 * ohm, "mOhm", se=1000 * se, n=n, coverage=1.0, item=item)


def _warmth(temp: Floats, ea_ev: float) -> float:
    """Share of the value at 25 °C that is uncertain: by the sensors and by the law's activation energy."""
    known = temp[np.isfinite(temp)]
    if not known.size:
        return 0.0
    kelvin = median(known) + KELVIN
    sensor = ea_ev / BOLTZMANN_EV / kelvin**2 * SENSOR_K
    return float(np.hypot(sensor, EA_EV * abs(1.0 / kelvin - 1.0 / (25.0 + KELVIN)) / BOLTZMANN_EV))


def _temperature(steps: Steps, signals: Signals) -> Floats:
    """Median cell sensor at each step, degC; NaN where none spoke within a minute."""
    items = signals.items("cell_temp")
    if not items:
        return np.full(len(steps), np.nan)
    return known_medians(np.stack([signals.at(steps.t0, "cell_temp", i, 60.0) for i in items]))


def _gives() -> dict[str, tuple[str, str]]:
    out = {}
    for pulse in PULSES_S:
        word = f"{pulse:g} s after a current step"
        out[f"cell_dcr_{pulse:g}s_mohm"] = (
            "mOhm",
            f"Resistance of the group {word}, at its temperature then",
        )
        out[f"group_dcr_{pulse:g}s_mohm"] = ("mOhm", f"Resistance of the median group {word}")
        out[f"group_dcr_{pulse:g}s_25c_mohm"] = ("mOhm", f"Resistance of the median group {word}, at 25 °C")
    return out


SET = MetricSet(
    id="cell_resistance",
    subject=Subject.CELLS,
    needs=("cell_voltage", "pack_current"),
    figures=("pack.rated_ah",),
    kinds=("ride", "bench", "charge"),
    compute=compute,
    gives=_gives(),
    version=2,  # few steps, and what went before them, are in the errors
    source="pulse method as in the DOE/ID-11069 test manual (2003); temperature law: see this file's head",
)
