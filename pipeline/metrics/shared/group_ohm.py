"""Resistance of every group for correcting its voltage for load, from the session at hand."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.shared.steady_moments import Steady, blocks_of
from herdbook.pipeline.science.robust_fit import within_blocks
from herdbook.pipeline.vehicle.profile import Profile

R_SPREAD = 0.15  # usual spread of resistance within a pack when it was not measured here (common practice)
DRIFT_V = 0.002  # how differently groups may climb on the plateau in a minute of charge (engineering choice)


def usual_ohm(profile: Profile) -> float:
    """Ten-second resistance of a sound group: the profile's pack.cell_r10s_mohm, or a typical one by size."""
    return profile.pack_figures.cell_r10s_mohm / 1000


def from_load(table: Steady, usual: float) -> tuple[Floats, Floats, bool]:
    """(ohm, standard error, measured?) per group from a ride, whose current moves enough for a regression."""
    try:
        fit = within_blocks(table.current, table.v, blocks_of(table.t, 60.0))
    except ValueError:
        return unknown(table, usual)
    return -fit.slope, fit.slope_se, True


def from_onset(table: Steady, usual: float, plateau_v: float) -> tuple[Floats, Floats, bool]:
    """The same from the one step of a charge, its onset: 10 to 90 s after against the last minute before.

    Only on the plateau, from plateau_v up: near empty the charge itself raises the voltage as much in that minute."""
    on = table.current < -2.0
    if not on.any():
        return unknown(table, usual)
    since = (table.t - table.t[int(on.argmax())]) / 1e6
    before = (since >= -60) & (since < 0) & (np.abs(table.current) < 1.0)
    after = (since >= 10) & (since <= 90) & on
    if before.sum() < 3 or after.sum() < 3 or table.v[before].mean(axis=0).min() < plateau_v:
        return unknown(table, usual)
    step = table.current[before].mean() - table.current[after].mean()
    rise = table.v[after].mean(axis=0) - table.v[before].mean(axis=0)
    spread = [table.v[rows].std(axis=0) / np.sqrt(rows.sum()) for rows in (before, after)]
    noise = np.sqrt(spread[0] ** 2 + spread[1] ** 2 + DRIFT_V**2)
    return rise / step, noise / step, True


def unknown(table: Steady, usual: float) -> tuple[Floats, Floats, bool]:
    """Nothing measured: the usual figure, with the usual spread between groups as its error."""
    groups = table.v.shape[1]
    return np.full(groups, usual), np.full(groups, R_SPREAD * usual), False
