"""Imbalance of charge per group, in Ah and per cent, read at the two steep ends of the curve.

Top: while charging, the Ah at which each group crosses the knee, against the median group. Bottom: the same
while discharging. Voltages are corrected for load with each group's own resistance, measured in the same
session. A group that never crosses gives a bound instead of a value. On the plateau nothing is said: 1 mV
there is several per cent. Sign: positive when the group holds more charge than the median group.
"""

from __future__ import annotations

import numpy as np

from pipeline.metrics._steady import Steady, range_allowed_a, steady
from pipeline.metrics.model import Metric, MetricSet, Outcome, Session
from pipeline.profile import Profile
from pipeline.science.coulomb import integrate
from pipeline.science.knee import Shifts, curve, shifts
from pipeline.science.robust_fit import Floats, within_blocks
from pipeline.signals import Signals

BIN_SHARE = 0.003  # of rated Ah per point of the curve
# Least slope in V per 1 % of charge (engineering choices). A charge holds its current, so that the graphite
# step
# at 70 % can still be read; under a rider's load the polarisation wanders, and only the real knee stands out.
STEEP_V = {"top": 0.004, "bottom": 0.008}
TOP_LEVELS = np.arange(3.22, 3.64, 0.005)
BOTTOM_LEVELS = np.arange(3.15, 2.60, -0.01)
GAP_S = 5.0
SETTLE_S = 180  # engineering choice
LEAST_ROWS = 50
TOP_SHARE = 0.45  # of rated charge before the end: the graphite step and the knee, not the low end again
R_SPREAD = 0.15  # usual spread of resistance within a pack when it was not measured here (common practice)
USUAL_OHM_AH = 0.06  # ohm x Ah of a group when the profile names none: 2 mOhm at 30 Ah (from memory: 1 to 3)
PLATEAU_V = 3.2
DRIFT_V = 0.002  # how differently groups may climb on the plateau in that minute (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    table = steady(signals, range_allowed_a(profile), most_rows=12000)
    if table is None or len(table) < 100:
        return Outcome()
    current = signals.series("pack_current")
    run = np.interp(table.t, current.t, integrate(current.t, current.v, GAP_S).run)
    rated = profile.figure("pack", "rated_ah")
    metrics = [Metric("cell_offset_rows", float(len(table)), "1", None, len(table))]
    if session.kind != "ride":
        wanted = _charging(table, rated)
        wanted &= run < run[wanted].min(initial=np.inf) + TOP_SHARE * rated
        metrics += _one_end("top", table, run, wanted, profile)
    if session.kind != "charge":
        metrics += _one_end("bottom", table, run, table.current > -rated / 40, profile)
    return Outcome(tuple(metrics))


def _charging(table: Steady, rated: float) -> np.ndarray:
    """Rows of charging once the polarisation of its onset is over, which would look like a knee of all
    groups."""
    on = table.current < -rated / 40
    began = np.maximum.accumulate(np.where(on & ~np.concatenate(([False], on[:-1])), table.t, 0))
    return on & (table.t - began > SETTLE_S * 1_000_000)


def _one_end(end: str, table: Steady, run: Floats, wanted: np.ndarray, profile: Profile) -> list[Metric]:
    if wanted.sum() < LEAST_ROWS:
        return []
    rated = profile.figure("pack", "rated_ah")
    given = profile.pack.get("cell_r10s_mohm")
    usual_ohm = float(given) / 1000 if isinstance(given, int | float) else USUAL_OHM_AH / rated
    ohm, ohm_se = _from_onset(table, usual_ohm) if end == "top" else _from_load(table, usual_ohm)
    corrected = table.v + ohm * table.current[:, None]
    sign = -1.0 if end == "top" else 1.0
    q, v, noise = curve(sign * run[wanted], -sign * corrected[wanted], BIN_SHARE * rated)
    if q.size < 5:
        return []
    levels = TOP_LEVELS if end == "top" else -BOTTOM_LEVELS
    found = shifts(q, v, levels, noise, STEEP_V[end] / (0.01 * rated))
    if found is None:
        return []
    load = float(np.median(np.abs(table.current[wanted])))
    se = np.hypot(found.se, ohm_se * load / found.slope_v_per_ah)
    return _metrics(end, table.items, found, se, rated, int(wanted.sum()))


def _metrics(end: str, items: tuple[int, ...], found: Shifts, se: Floats, rated: float, n: int) -> list[Metric]:
    steep = float(np.nanmedian(found.slope_v_per_ah)) * rated * 10
    out = [Metric(f"{end}_slope_mv_per_pct", steep, "mV/%", None, n)]
    toward = -1.0 if end == "top" else 1.0  # early at the top means full, early at the bottom means empty
    for k, item in enumerate(items):
        if np.isfinite(found.shift[k]):
            ah = toward * found.shift[k]
            out.append(Metric(f"cell_offset_{end}_ah", ah, "Ah", se[k], n, 1.0, str(item)))
            pct = (100 * ah / rated, 100 * se[k] / rated)
            out.append(Metric(f"cell_offset_{end}_pct", pct[0], "%", pct[1], n, 1.0, str(item)))
        elif found.beyond[k] > 0:
            bound = toward * found.beyond[k]
            out.append(Metric(f"cell_offset_{end}_bound_ah", bound, "Ah", None, n, 1.0, str(item)))
    return out


def _from_load(table: Steady, usual_ohm: float) -> tuple[Floats, Floats]:
    """Ohm per group and its standard error from a ride, whose current moves enough for a regression."""
    groups = table.v.shape[1]
    block = np.unique((table.t - table.t[0]) // 60_000_000, return_inverse=True)[1].astype(np.int64)
    try:
        fit = within_blocks(table.current, table.v, block)
    except ValueError:
        return np.full(groups, usual_ohm), np.full(groups, R_SPREAD * usual_ohm)
    return -fit.slope, fit.slope_se


def _from_onset(table: Steady, usual_ohm: float) -> tuple[Floats, Floats]:
    """The same from the one step of a charge, its onset: 10 to 90 s after against the last minute before.

    Only on the plateau: near empty the charge itself raises the voltage as much within that minute."""
    groups = table.v.shape[1]
    unknown = np.full(groups, usual_ohm), np.full(groups, R_SPREAD * usual_ohm)
    on = table.current < -2.0
    if not on.any():
        return unknown
    since = (table.t - table.t[int(on.argmax())]) / 1e6
    before = (since >= -60) & (since < 0) & (np.abs(table.current) < 1.0)
    after = (since >= 10) & (since <= 90) & on
    if before.sum() < 3 or after.sum() < 3 or table.v[before].mean(axis=0).min() < PLATEAU_V:
        return unknown
    step = table.current[before].mean() - table.current[after].mean()
    rise = table.v[after].mean(axis=0) - table.v[before].mean(axis=0)
    spread = [table.v[rows].std(axis=0) / np.sqrt(rows.sum()) for rows in (before, after)]
    noise = np.sqrt(spread[0] ** 2 + spread[1] ** 2 + DRIFT_V**2)
    return rise / step, noise / step


SET = MetricSet(
    id="cell_offset",
    needs=("cell_voltage", "pack_current"),
    kinds=("ride", "charge", "bench"),
    compute=compute,
    gives={
        "cell_offset_rows": ("1", "Moments of steady current in which the knees were looked for"),
        "cell_offset_top_ah": ("Ah", "Charge of the group above the median group, at the knee near full"),
        "cell_offset_top_pct": ("%", "The same as a share of rated capacity"),
        "cell_offset_top_bound_ah": ("Ah", "The group never reached the knee near full: at least so far behind"),
        "cell_offset_bottom_ah": ("Ah", "Charge of the group above the median group, at the knee near empty"),
        "cell_offset_bottom_pct": ("%", "The same as a share of rated capacity"),
        "cell_offset_bottom_bound_ah": ("Ah", "The group never reached the knee near empty: at least so far above"),
        "top_slope_mv_per_pct": ("mV/%", "Steepness of the median group where the top was read"),
        "bottom_slope_mv_per_pct": ("mV/%", "Steepness of the median group where the bottom was read"),
    },
    source="physics: a string passes one charge, so a difference in charge shifts a curve along the Ah axis",
)
