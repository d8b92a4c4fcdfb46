"""DC resistance of each group from current steps, at stated pulse lengths, and brought to 25 degC.

Temperature law: R(T) = R(25) exp(Ea/k (1/T - 1/298.15 K)). Ea comes from the profile (pack.cell_r_ea_ev), else
from its chemistry. T is the median cell sensor at the step. Steps smaller than 0.3 C are not used: 1 mV and 0.1 A of
resolution would be 4 % of 5 A.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.steady_moments import period_s, range_allowed_a
from herdbook.pipeline.science.arrhenius import resistance_factor
from herdbook.pipeline.science.pulses import Running, Steps, find_steps, resistance, resistances, responses, unsettled
from herdbook.pipeline.science.robust_fit import known_medians
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

PULSES_S = (0.5, 2.0, 10.0)
LEAST_STEPS = 5
LEAST_STEP_C = 0.3
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
    memory = unsettled(current.t, current.v, steps, pulse_s)
    items = [i for i, period in cells.period_s.items() if period <= max(1.0, 0.2 * pulse_s)]
    if not items:
        return []
    out, changes = [], []
    every = np.array([responses(cells.running(i), steps, pulse_s) for i in items])
    for item, change, (ohm, se, n) in zip(items, every, resistances(every, steps.change, None, memory), strict=True):
        if n >= LEAST_STEPS:
            out.append(
                Metric(f"cell_dcr_{label}_mohm", 1000 * ohm, "mOhm", se=1000 * se, n=n, coverage=1.0, item=str(item))
            )
            changes.append(change)
    if not changes:
        return []
    median = known_medians(np.array(changes))
    for name, law in ((f"group_dcr_{label}_mohm", None), (f"group_dcr_{label}_25c_mohm", factor)):
        ohm, se, n = resistance(median, steps.change, law, memory)
        if n >= LEAST_STEPS:
            out.append(Metric(name, 1000 * ohm, "mOhm", 1000 * se, n))
    return out


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
        out[f"group_dcr_{pulse:g}s_25c_mohm"] = ("mOhm", f"Resistance of the median group {word}, at 25 degC")
    return out


SET = MetricSet(
    id="cell_resistance",
    subject=Subject.CELLS,
    needs=("cell_voltage", "pack_current"),
    figures=("pack.rated_ah",),
    kinds=("ride", "bench", "charge"),
    compute=compute,
    gives=_gives(),
    source="pulse method as in the DOE/ID-11069 test manual (2003); temperature law: see this file's head",
)
