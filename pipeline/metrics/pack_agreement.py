"""Do the pack's own figures agree: terminal voltage with the sum of groups, reported charge with counted charge?

The gap between terminals and groups is split by regression on current: what is in proportion to it is
resistance outside the taps (switch, fuse, joints), the rest is an error of a sensor or a missing group.
"""

from __future__ import annotations

import math

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.session_charge import session_charge
from herdbook.pipeline.metrics.shared.steady_moments import (
    BLOCK_S,
    Steady,
    aligned,
    aligned_groups,
    blocks_of,
    range_allowed_a,
    slowest_s,
)
from herdbook.pipeline.science.robust_fit import line, median, rounding_error, walking_error, within_blocks
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

HOLD_S = 2.0  # the terminals' voltage stands for so long
LEAST_ROWS = 60
LEAST_SHARE = 0.15  # of rated charge must pass before a capacity is read from the reported charge


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    return Outcome((*_sum_of_groups(signals, profile), *_counted_by_bms(session, signals, profile)))


def _sum_of_groups(signals: Signals, profile: Profile) -> list[Metric]:
    if not signals.has("pack_current", "pack_voltage"):
        return []
    table = aligned_groups(signals, range_allowed_a(profile))
    if table is None or len(table) < LEAST_ROWS:
        return []
    terminal = _terminals(signals, table)
    # With the main switch open, terminals outside it read next to nothing: that is no disagreement.
    total = table.v.sum(axis=1)
    ok = terminal > 0.5 * total  # NaN compares false
    if ok.sum() < LEAST_ROWS or len(table.items) != profile.pack_figures.cells:
        return []
    gap, current, block = (terminal - total)[ok], table.current[ok], blocks_of(table.t[ok], BLOCK_S)
    out = []
    slope, slope_se = 0.0, 0.0
    try:
        fit = within_blocks(current, gap[:, None], block)
    except ValueError:
        pass
    else:
        slope, slope_se = float(fit.slope[0]), float(fit.slope_se[0])
        out.append(Metric("pack_path_mohm", -1000 * slope, "mOhm", 1000 * slope_se, fit.n))
    level = gap - slope * current
    per_block = np.bincount(block, level) / np.bincount(block)
    value, pct = median(level), 100 / median(terminal[ok])
    series = signals.series("pack_voltage")
    carried = slope_se * abs(float(np.mean(current)))
    whole, group = (rounding_error(s.v) for s in (series, signals.series("cell_voltage", table.items[0])))
    step = math.hypot(whole, group * math.sqrt(len(table.items)))
    walk = walking_error(per_block) if per_block.size > 2 else float(level.std())
    se = float(np.sqrt(walk**2 + carried**2 + step**2))
    out.append(Metric("pack_sum_gap_v", value, "V", se, level.size))
    out.append(Metric("pack_sum_gap_pct", value * pct, "%", se * pct, level.size))
    return out


def _terminals(signals: Signals, table: Steady) -> Floats:
    """Voltage of the terminals at each row's moment and load [V]; NaN where it is not known."""
    series = signals.series("pack_voltage")
    if len(series) < 3:
        return np.full(len(table), np.nan)
    here = aligned(signals, table, "pack_voltage", ("",), slowest_s(signals, table.items))
    volts, drift = here.v[:, 0], here.drift_a[:, 0]
    volts = np.where(np.isnan(signals.at(table.t, "pack_voltage", "", HOLD_S)), np.nan, volts)
    known = np.isfinite(volts) & np.isfinite(drift)
    try:
        slope = within_blocks(table.current[known], volts[known, None], blocks_of(table.t[known], BLOCK_S)).slope[0]
    except (ValueError, IndexError):
        return volts
    return np.asarray(volts - slope * drift)


def _counted_by_bms(session: Session, signals: Signals, profile: Profile) -> list[Metric]:
    """Reported charge at both ends, and the capacity the battery management system seems to count with."""
    soc, current = signals.series("pack_soc"), signals.series("pack_current")
    known = np.isfinite(soc.v)
    if known.sum() < 3:
        return []
    t, v = soc.t[known], soc.v[known]
    out = [
        Metric("pack_soc_start_pct", median(v[:5]), "%", 0.5, 1),
        Metric("pack_soc_end_pct", median(v[-5:]), "%", 0.5, 1),
        Metric("pack_soc_lowest_pct", float(v.min()), "%", 0.5, 1),
        Metric("pack_soc_highest_pct", float(v.max()), "%", 0.5, 1),
    ]
    if len(current) < 3:
        return out
    charge = session_charge(session, signals)
    pick = np.linspace(0, t.size - 1, min(t.size, 3000)).astype(np.int64)
    run = np.interp(t[pick], current.t, charge.run)
    if np.ptp(run) < LEAST_SHARE * profile.pack_figures.rated_ah or charge.coverage < 0.98:
        return out
    inside = (v[pick] > 3) & (v[pick] < 97)
    if inside.sum() < 50 or np.ptp(run[inside]) < LEAST_SHARE * profile.pack_figures.rated_ah:
        return out
    fit = line(run[inside], v[pick][inside])
    if fit.slope < 0 and np.abs(fit.residual_sd) < 3.0:
        capacity = -100 / fit.slope
        # The residual is a slow walk, not white noise: its own size over the span bounds the slope's error.
        se = capacity * 2 * fit.residual_sd / float(np.ptp(v[pick][inside]))
        out.append(
            Metric(
                "bms_capacity_ah",
                capacity,
                "Ah",
                se=float(np.hypot(se, 0.01 * capacity)),
                n=fit.n,
                coverage=charge.coverage,
            )
        )
    return out


SET = MetricSet(
    id="pack_agreement",
    subject=Subject.PACK,
    needs=(),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "pack_sum_gap_v": ("V", "Terminal voltage less the sum of all groups, at no current"),
        "pack_sum_gap_pct": ("%", "The same as a share of the terminal voltage"),
        "pack_path_mohm": ("mOhm", "Resistance between the outer taps and the terminals' sensor"),
        "pack_soc_start_pct": ("%", "State of charge reported when the session began"),
        "pack_soc_end_pct": ("%", "State of charge reported when the session ended"),
        "pack_soc_lowest_pct": ("%", "Lowest state of charge reported"),
        "pack_soc_highest_pct": ("%", "Highest state of charge reported"),
        "bms_capacity_ah": ("Ah", "Counted charge over the change of reported state of charge"),
    },
    version=2,  # values brought to one moment; errors that hold
    source="Kirchhoff's voltage law; charge counted from the same current",
)
