"""The uppermost step of the pack's own curve in a charge: what the report said there, and what was still to come.

The step lies at the same share of the charge in packs of a type that have aged alike (science/curve_step.py). So the
reported charge there can be held against that of other vehicles of the type without a full or an empty pack; and the
charge from there to full is a share of what the pack holds. Where in the charge it lies nobody has to know: the fleet
shows it. Flat cells alone have such a step; where readings show none nothing is told.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.pack_anchors import full_anchor
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.group_ohm import usual_ohm
from herdbook.pipeline.metrics.shared.session_charge import session_charge
from herdbook.pipeline.metrics.shared.steady_moments import Steady, steady
from herdbook.pipeline.science.arrhenius import resistance_factor
from herdbook.pipeline.science.curve_step import CurveStep, upper_step
from herdbook.pipeline.science.robust_fit import known_medians
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

REST_C = 1 / 50
SETTLE_S = 900.0  # after the onset: several time constants of the slow part of the drop (engineering choice)
ALIKE = 0.3  # share by which the current may be off its middle (engineering choice)
LEAST_ROWS, LEAST_COVERAGE = 60, 0.98
HOLD_S, TEMP_S = 30.0, 300.0  # how long the report, and a pack's warmth, stand
ROUNDED = 0.29  # error of a report that moves by steps, in steps
GAIN, ZERO_A = 0.01, 0.05  # of the current sensor where nothing better is known, as for anchors (engineering choice)
SLOW = 1.0  # what an hour of current adds to the drop of ten seconds, as a share of it (engineering choice)
WORST = 0.02  # error of a place, of rated charge, that is still kept (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    rated = profile.pack_figures.rated_ah
    table = steady(signals, max(1.0, 0.05 * rated), most_rows=12000)
    if table is None or len(table) < LEAST_ROWS:
        return Outcome()
    rows = _charging(table, rated)
    if rows is None:
        return Outcome()
    current, charge = signals.series("pack_current"), session_charge(session, signals)
    if charge.coverage < LEAST_COVERAGE:
        return Outcome()
    run = np.interp(rows.t, current.t, charge.run)
    step = upper_step(-run / rated, rows.v)
    if step is None or step.se > WORST:
        return Outcome()
    n, cover = len(rows), charge.coverage
    out = [Metric("charge_step_v", _at_rest(step, run, rows, signals, profile), "V", 0.005, n, cover)]
    out += _reported(step, -run / rated, rows, signals)
    out.append(_to_end(step, run, rows, table, rated, np.interp(table.t, current.t, charge.run)))
    full = full_anchor(table, np.interp(table.t, current.t, charge.run), signals, profile)
    if full is not None:
        out.append(_to_full(step, full.data, rows, run, rated, full.start))
    return Outcome(tuple(out))


def _charging(table: Steady, rated: float) -> Steady | None:
    """Rows under a current that hardly changes, after the onset."""
    charging = table.current < -REST_C * rated
    if not charging.any():
        return None
    used = charging & (table.t - table.t[int(charging.argmax())] > SETTLE_S * 1e6)
    if used.sum() < LEAST_ROWS:
        return None
    amps = float(np.median(table.current[used]))
    rows = table.rows(used & (np.abs(table.current - amps) < ALIKE * abs(amps)))
    return rows if len(rows) >= LEAST_ROWS else None


def _at_rest(step: CurveStep, run: Floats, rows: Steady, signals: Signals, profile: Profile) -> float:
    """Volts at the step with the usual drop at that warmth taken out."""
    items = signals.items("cell_temp")
    temps = [signals.at(rows.t, "cell_temp", item, TEMP_S) for item in items]
    temp = known_medians(np.stack(temps)) if temps else np.full(len(rows), np.nan)
    warm = resistance_factor(profile.pack_figures.cell_r_ea_ev, np.nan_to_num(temp, nan=25.0))
    drop = -rows.current * usual_ohm(profile) * (1.0 + SLOW) * warm
    return step.volts - float(np.interp(step.share, -run / profile.pack_figures.rated_ah, drop))


def _reported(step: CurveStep, share: Floats, rows: Steady, signals: Signals) -> list[Metric]:
    said = signals.at(rows.t, "pack_soc", "", HOLD_S)
    known = np.isfinite(said)
    if known.sum() < LEAST_ROWS or not share[known][0] < step.share < share[known][-1]:
        return []
    grain = np.diff(np.unique(np.round(said[known], 3)))
    rounded = ROUNDED * float(min(grain.min(), 1.0)) if grain.size else ROUNDED
    there = float(np.interp(step.share, share[known], said[known]))
    return [Metric("charge_step_soc_pct", there, "%", float(np.hypot(rounded, 100.0 * step.se)), len(rows))]


def _to_end(step: CurveStep, run: Floats, rows: Steady, table: Steady, rated: float, whole: Floats) -> Metric:
    """Charge from the step to where the current of the charge ended, over the rated."""
    last = int(np.flatnonzero(table.current < -REST_C * rated)[-1])
    share = -float(whole[last]) / rated - step.share
    se = _counted(step, share, run, rows, rated, int(table.t[last]))
    return Metric("charge_step_to_end_pct", 100.0 * share, "%", 100.0 * se, len(rows))


def _to_full(step: CurveStep, full: dict[str, float], rows: Steady, run: Floats, rated: float, full_t: int) -> Metric:
    """Charge from the step to full over the rated; what the anchor lacks of full is added. What "full" means is alike
    in all packs of a type, as nearly as the fleet's spread shows: its error is not in this one."""
    share = -full["run_ah"] / rated - step.share + (100.0 - full["soc_pct"]) / 100.0
    se = _counted(step, share, run, rows, rated, full_t)
    return Metric("charge_step_to_full_pct", 100.0 * share, "%", 100.0 * se, len(rows))


def _counted(step: CurveStep, share: float, run: Floats, rows: Steady, rated: float, end_t: int) -> float:
    """Error of a share counted from the step on: of the step, and of the sensor's gain and zero."""
    began = float(np.interp(step.share, -run / rated, rows.t.astype(np.float64)))
    zero = ZERO_A * max(end_t - began, 0.0) / 3.6e9 / rated
    return float(np.sqrt(step.se**2 + (GAIN * share) ** 2 + zero**2))


SET = MetricSet(
    id="curve_step",
    subject=Subject.PACK,
    needs=("cell_voltage", "pack_current"),
    figures=("pack.rated_ah",),
    kinds=("charge",),
    compute=compute,
    gives={
        "charge_step_v": ("V", "Voltage of the middle group at the upper step of its curve, load taken out"),
        "charge_step_soc_pct": ("%", "State of charge reported at the upper step of the curve"),
        "charge_step_to_end_pct": ("%", "Charge from the upper step of the curve to the end of charging, of rated"),
        "charge_step_to_full_pct": ("%", "Charge from the upper step of the curve to full, of rated"),
    },
    source="steps of the graphite electrode: science/curve_step.py",
)
