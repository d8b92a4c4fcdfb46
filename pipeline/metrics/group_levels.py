"""Where each group stands beside the median group, moment by moment: what a fit over the whole record is made of.

A session is cut in pieces of a little charge or voltage. For each piece: the median group's voltage with load taken
out, what each group has more, the mean current, the reported charge, and how well that is known. Neither a charge to
full nor a rest near empty is needed: a group that holds less stands lower wherever the curve has a slope at all.
Events "group_levels", item: "quiet" before any load, "load" in a ride, "charge", "rest".
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Integers
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.group_ohm import usual_ohm
from herdbook.pipeline.metrics.shared.session_charge import session_charge
from herdbook.pipeline.metrics.shared.steady_moments import (
    BLOCK_S,
    Steady,
    blocks_of,
    range_allowed_a,
    resolution,
    steady,
)
from herdbook.pipeline.science.robust_fit import median, within_blocks
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

# Sizes of a piece and what it must hold: engineering choices. So little charge or voltage that the curve is straight
# within it, so many readings that their scatter is known.
PIECE_SHARE, PIECE_V = 0.03, 0.02
LEAST_ROWS, MOST_PIECES = 4, 24
REST_C = 1 / 50
QUIET_S = 180.0  # of a session's beginning: what stood before it
MOVES_C = 0.1  # within blocks; under it no resistance can be read
HOLD_S = 120.0
STEP_SD = 0.29  # an error spread evenly over one step of resolution, 1/sqrt(12)
INDEPENDENT = 10.0  # readings in a row that share what disturbs them (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    table = steady(signals, range_allowed_a(profile))
    if table is None or len(table) < LEAST_ROWS:
        return Outcome()
    rated = profile.pack_figures.rated_ah
    current = signals.series("pack_current")
    run = np.interp(table.t, current.t, session_charge(session, signals).run)
    ohm, slopes, known = _load(table, rated, usual_ohm(profile))
    middle = np.median(table.v, axis=1)
    resting = middle + ohm * table.current
    away = table.v - middle[:, None] - slopes * table.current[:, None]
    soc = signals.at(table.t, "pack_soc", hold_s=HOLD_S)
    step_v = resolution(table.v)
    events = []
    for word, rows in _pieces(session.kind, table, run / rated, resting, REST_C * rated):
        data = {
            "run_ah": float(run[rows].mean()),
            "current_a": float(table.current[rows].mean()),
            "median_v": float(resting[rows].mean()),
            "load_known": float(known),
            "se_mv": 1000 * _error(table.v[rows], away[rows], step_v),
        }
        if np.isfinite(soc[rows]).any():
            data["soc_pct"] = float(np.nanmean(soc[rows]))
        data |= {f"d{i}": 1000 * float(x) for i, x in zip(table.items, away[rows].mean(axis=0), strict=True)}
        events.append(Event("group_levels", int(table.t[rows[0]]), int(table.t[rows[-1]]), word, data))
    pieces = Metric("group_level_pieces", float(len(events)), "1", None, len(table))
    return Outcome((pieces,), tuple(events)) if events else Outcome()


def _load(table: Steady, rated: float, usual: float) -> tuple[float, Floats, bool]:
    """Resistance of the median group, what each has more (as a slope on current, V/A), and whether it was measured."""
    none = np.zeros(table.v.shape[1])
    block = blocks_of(table.t, BLOCK_S)
    count = np.bincount(block)
    inside = table.current - (np.bincount(block, table.current) / count)[block]
    if inside.std() < MOVES_C * rated:
        return usual, none, False
    middle = np.median(table.v, axis=1)
    try:
        fit = within_blocks(table.current, np.column_stack([table.v - middle[:, None], middle]), block)
    except ValueError:
        return usual, none, False
    ohm = -float(fit.slope[-1])
    return (ohm, fit.slope[:-1], True) if ohm > 5 * float(fit.slope_se[-1]) else (usual, none, False)


def _pieces(kind: str, table: Steady, share: Floats, resting: Floats, rest_a: float) -> list[tuple[str, Integers]]:
    """Words and row numbers, in order of time. share: of the rated charge that has flowed."""
    quiet = np.abs(table.current) < rest_a
    before = quiet & (np.cumsum(~quiet) == 0) & (table.t - table.t[0] < QUIET_S * 1e6)
    out = [("quiet", np.flatnonzero(before))]
    left = ~before
    if kind == "rest":  # its end has relaxed the longest
        late = left & (table.t > table.t[-1] - int(2 * QUIET_S * 1e6)) & quiet
        return [(w, r) for w, r in [*out, ("rest", np.flatnonzero(late))] if r.size >= LEAST_ROWS]
    if kind == "charge":
        left &= table.current < -rest_a
    word = "charge" if kind == "charge" else "load"
    # under a rider's load the voltage wanders by polarisation; where a charge climbs, the curve does
    out += [(word, rows) for rows in _cut(left, share, resting if kind == "charge" else np.zeros(share.size))]
    kept = [(w, r) for w, r in out if r.size >= LEAST_ROWS]
    if len(kept) > MOST_PIECES:
        kept = [kept[k] for k in np.unique(np.linspace(0, len(kept) - 1, MOST_PIECES).astype(int))]
    return kept


def _cut(wanted: Bools, share: Floats, resting: Floats) -> list[Integers]:
    """Rows in order of time, a new piece whenever charge or voltage has moved on."""
    rows = np.flatnonzero(wanted)
    if not rows.size:
        return []
    width = min(9, rows.size)
    smooth = np.convolve(np.pad(resting[rows], width // 2, mode="edge"), np.ones(width) / width, "same")
    smooth = smooth[width // 2 : width // 2 + rows.size]
    cuts, q, v = [0], share[rows[0]], smooth[0]
    for k in range(1, rows.size):
        if abs(share[rows[k]] - q) > PIECE_SHARE or abs(smooth[k] - v) > PIECE_V:
            cuts.append(k)
            q, v = share[rows[k]], smooth[k]
    return np.split(rows, cuts[1:])


def _error(v: Floats, away: Floats, step_v: float) -> float:
    """Standard error of a group's mean difference: scatter, and rounding as far as readings stand still."""
    n = v.shape[0]
    scatter = median(away.std(axis=0)) / np.sqrt(max(1.0, n / INDEPENDENT))
    moves = median((np.diff(v, axis=0) != 0).sum(axis=0).astype(float))
    return float(np.hypot(scatter, STEP_SD * step_v / np.sqrt(1.0 + moves)))


SET = MetricSet(
    id="group_levels",
    subject=Subject.CELLS,
    needs=("cell_voltage", "pack_current"),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={"group_level_pieces": ("1", "Pieces of the session in which groups were set side by side")},
    source="definitions: this file",
    figures=("pack.rated_ah",),
)
