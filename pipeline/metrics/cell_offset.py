"""Imbalance of charge per group, in Ah and per cent, read at the two steep ends of the curve.

Near full: while charging, the Ah at which each group crosses the knee, against the median group. Near empty:
the same at the lower knee, in a charge that begins low or in a ride that ends low. Voltages are corrected
for load with each group's own resistance; a rest near empty is read from the open-circuit curve. A group
that never crosses gives a bound instead of a value. On the plateau nothing is said: 1 mV there is several
per cent. Sign: positive when the group holds more charge than the median group.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.group_ohm import from_load, from_onset, usual_ohm
from herdbook.pipeline.metrics.shared.rest_offset import rest_low
from herdbook.pipeline.metrics.shared.session_charge import session_charge
from herdbook.pipeline.metrics.shared.steady_moments import Steady, range_allowed_a, steady
from herdbook.pipeline.science.knee import Shifts, averaged, curve, shifts
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.chemistry import Chemistry
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals


@dataclass(frozen=True, slots=True)
class Knee:
    """One way to read a knee.

    rising: read while charging. levels_v: candidates. steep_v: least slope in V per 1 % of charge. settle_s:
    time after the current comes on that is left out. near: how far from the knee's end of a charge rows count, in
    shares of rated charge. squeeze: share of a shift that this way may lose.
    """

    end: str
    rising: bool
    levels_v: Floats
    steep_v: float
    settle_s: float
    near: float = 1.0
    squeeze: float = 0.0


# Slopes and times: engineering choices. A charge holds its current, so that a step of the curve well below full can
# still be read; under a rider's load the polarisation wanders, and only the real knee stands out.
def knee_at_top(chemistry: Chemistry) -> Knee:
    low, high = chemistry.upper_knee_v
    return Knee("top", True, _rising(low, high, 0.005), steep_v=0.004, settle_s=180.0, near=chemistry.upper_knee_share)


def knee_at_bottom(chemistry: Chemistry, ride: bool) -> Knee:
    """A charge that begins on the lower knee crosses it while polarisation still builds up: against a physics model of
    an LFP cell it showed up to a third less than the true shift. That error has one sign: a group is at least so far
    off, so it widens the interval only a little. A ride is read up to a step above the knee, a charge up to one below.
    """
    low, high = chemistry.lower_knee_v
    if ride:
        return Knee("bottom", False, _rising(low, high + 0.02, 0.01), steep_v=0.008, settle_s=0.0)
    levels, near = _rising(low, high, 0.01), chemistry.lower_knee_share
    return Knee("bottom", True, levels, steep_v=0.008, settle_s=60.0, near=near, squeeze=0.10)


def _rising(low: float, high: float, step: float) -> Floats:
    """From low on by step, below high."""
    return np.arange(low, high - 0.5 * step, step)


BIN_SHARE = 0.003  # of rated Ah per point of the curve
LEAST_ROWS = 50
LEAST_OHM = 0.3  # of a group's usual resistance: no group has less, warm as it may be (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    table = steady(signals, range_allowed_a(profile), most_rows=12000)
    if table is None or len(table) < 2 * LEAST_ROWS:
        return Outcome()
    current = signals.series("pack_current")
    run = np.interp(table.t, current.t, session_charge(session, signals).run)
    rated, chemistry = profile.pack_figures.rated_ah, profile.pack_figures.of_chemistry
    metrics = [Metric("cell_offset_rows", float(len(table)), "1", None, len(table))]
    if session.kind != "ride":
        knee = knee_at_top(chemistry)
        metrics += _read(knee, table, run, _charging(table, rated, run, knee), profile)
    ride = session.kind == "ride"
    knee = knee_at_bottom(chemistry, ride)
    rows = table.current > -rated / 40 if ride else _charging(table, rated, run, knee)
    low = _better(rest_low(table, profile), _read(knee, table, run, rows, profile))
    return Outcome((*metrics, *low))


def _better(rest: list[Metric], knee: list[Metric]) -> list[Metric]:
    """Of each group's two readings near empty the one that is known better: a table's slope is a guess, the knee of
    this very charge none. The pack's own steepness comes with the reading that is kept."""
    error = {m.item: m.se or np.inf for m in rest if m.name.endswith("_pct") and m.item}
    other = {m.item: m.se or np.inf for m in knee if m.name == "cell_offset_bottom_pct"}
    by_knee = {item for item, se in other.items() if se < error.get(item, np.inf)}
    left = [m for m in rest if m.item not in by_knee and (m.item or not by_knee)]
    return left + [m for m in knee if m.item in by_knee or (m.item not in error and (m.item or by_knee or not rest))]


def _charging(table: Steady, rated: float, run: Floats, knee: Knee) -> np.ndarray:
    """Rows of charging near the knee, once the polarisation of the onset is over: it would look like a knee."""
    on = table.current < -rated / 40
    began = np.maximum.accumulate(np.where(on & ~np.concatenate(([False], on[:-1])), table.t, 0))
    settled = on & (table.t - began > knee.settle_s * 1e6)
    if knee.end == "top":
        near = run < run[settled].min(initial=np.inf) + knee.near * rated
    else:
        near = run > run[settled].max(initial=-np.inf) - knee.near * rated
    return np.asarray(settled & near)


def _read(knee: Knee, table: Steady, run: Floats, wanted: np.ndarray, profile: Profile) -> list[Metric]:
    if wanted.sum() < LEAST_ROWS:
        return []
    rated, usual = profile.pack_figures.rated_ah, usual_ohm(profile)
    plateau_v = profile.pack_figures.of_chemistry.plateau_v[0]
    if not knee.rising and not _comes_down(knee, table, run, wanted=wanted, rated=rated, usual=usual):
        return []  # spares the regression for resistance
    ohm, ohm_se, known = from_onset(table, usual, plateau_v) if knee.rising else from_load(table, usual)
    corrected = table.v + ohm * table.current[:, None]
    sign = 1.0 if knee.rising else -1.0  # mirrored, a discharge rises too
    q, v, noise = curve(-sign * run[wanted], sign * corrected[wanted], BIN_SHARE * rated)
    levels = np.sort(sign * knee.levels_v)
    found = shifts(q, v, levels, noise, knee.steep_v / (0.01 * rated)) if q.size >= 5 else None
    if found is None:
        return []
    volt_to_ah = 1.0 / found.slope_v_per_ah
    load = median(np.abs(table.current[wanted]))
    se = np.hypot(found.se, ohm_se * load * volt_to_ah)
    se = np.hypot(se, knee.squeeze * np.nan_to_num(found.shift))
    leaning = None if known else usual * load * volt_to_ah
    return _metrics(knee, table.items, found, se=se, leaning=leaning, rated=rated, n=int(wanted.sum()))


def _comes_down(knee: Knee, table: Steady, run: Floats, wanted: np.ndarray, rated: float, usual: float) -> bool:
    """Could any group have reached the knee, with the least load taken out that it can have caused?"""
    near = table.rows(wanted)
    least = near.v + LEAST_OHM * usual * near.current[:, None]
    if least.min() > knee.levels_v[-1] + 1e-6:  # then no mean of them is below
        return False
    return bool((averaged(run[wanted], least, BIN_SHARE * rated)[1] < knee.levels_v[-1]).any())


def _metrics(
    knee: Knee, items: tuple[int, ...], found: Shifts, se: Floats, leaning: Floats | None, rated: float, n: int
) -> list[Metric]:
    end, pct = knee.end, 100 / rated
    steep = float(np.nanmedian(found.slope_v_per_ah)) * rated * 10
    out = [Metric(f"{end}_slope_mv_per_pct", steep, "mV/%", None, n)]
    toward = -1.0 if knee.rising else 1.0  # early while charging means full, early while discharging means empty
    for k, item in enumerate(items):
        name = str(item)
        if np.isfinite(found.shift[k]):
            ah, u = toward * found.shift[k], se[k]
            out.append(Metric(f"cell_offset_{end}_ah", ah, "Ah", se=u, n=n, coverage=1.0, item=name))
            out.append(Metric(f"cell_offset_{end}_pct", pct * ah, "%", se=pct * u, n=n, coverage=1.0, item=name))
            if leaning is not None:
                out.append(Metric(f"cell_offset_{end}_lean_pct", pct * leaning[k], "%", n=n, coverage=1.0, item=name))
        elif found.beyond[k] > 0:
            out.append(
                Metric(
                    f"cell_offset_{end}_bound_ah", toward * found.beyond[k], "Ah", se=None, n=n, coverage=1.0, item=name
                )
            )
    return out


SET = MetricSet(
    id="cell_offset",
    subject=Subject.CELLS,
    needs=("cell_voltage", "pack_current"),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "cell_offset_rows": ("1", "Moments of steady current in which the knees were looked for"),
        "cell_offset_top_ah": ("Ah", "Charge of the group above the median group, at the knee near full"),
        "cell_offset_top_pct": ("%", "The same as a share of rated capacity"),
        "cell_offset_top_bound_ah": ("Ah", "The group never reached the knee near full: at least so far behind"),
        "cell_offset_bottom_ah": ("Ah", "Charge of the group above the median group, at the knee near empty"),
        "cell_offset_bottom_pct": (
            "%",
            "The same as a share of rated capacity; read in a charge, up to a third too small",
        ),
        "cell_offset_bottom_bound_ah": ("Ah", "The group never reached the knee near empty: at least so far above"),
        "cell_offset_top_lean_pct": ("%", "How far resistance as large again would move the reading at the top"),
        "cell_offset_bottom_lean_pct": ("%", "The same at the bottom; absent where resistance was measured"),
        "top_slope_mv_per_pct": ("mV/%", "Steepness of the median group where the top was read"),
        "bottom_slope_mv_per_pct": ("mV/%", "Steepness of the median group where the bottom was read"),
    },
    version=2,
    source="physics: a string passes one charge, so a difference in charge shifts a curve along the Ah axis",
)
