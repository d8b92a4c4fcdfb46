"""Each group's deviation from the pack mean, split by regression on current: v_k - mean = a_k - R'_k I.

A resistance flips with the current and vanishes at rest; a difference in charge does neither. The slope is
taken within blocks of a minute, so that the slow walk along the discharge curve cancels. Temperature and
state of charge are common to all groups and cancel in the ratio to the pack's median. Time skew between
frames: only moments of steady current are used, and all groups are brought to one (shared/steady_moments.py).
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.steady_moments import BLOCK_S, aligned_groups, blocks_of, range_allowed_a
from herdbook.pipeline.science.robust_fit import median, rounding_error, within_blocks
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST_ROWS = 60
PLATEAU_V = (3.20, 3.345)  # mean group voltage, load taken out; beyond, a level is a difference in charge
# What a minute does not show of a resistance: diffusion over many minutes, from nothing to somewhat more than as much
# again, 0.7 as a standard deviation. It stands in the level, in proportion to the mean current (engineering choice;
# common practice: 0.1 s and 10 s differ by 1.5 to 3 times).
HIDDEN_SHARE = 0.7
KNOWN = 0.2  # where a usual ratio is known no better than this, none is given (engineering choice)
# Of the error of the mean's slope, counted once more on top of what each group's slope beside the mean's shows. A
# compromise and no physics: polarisation moves all groups in proportion (then nothing is to be added), the walk along
# the curve does not (then all of it is). Half was chosen with rides of 3 minutes in view, ZB-0103 of our demo fleet
# among them, whose weak group all of it would hide; tests/coverage/TABLE.md shows what it costs.
APART = 0.5
LEAST_SPREAD_C = 0.1  # standard deviation of current inside blocks; engineering choice


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    table = aligned_groups(signals, range_allowed_a(profile))
    if table is None or len(table) < LEAST_ROWS:
        return Outcome()
    block = blocks_of(table.t, BLOCK_S)
    if _spread_within(table.current, block) < LEAST_SPREAD_C * profile.pack_figures.rated_ah:
        return Outcome()
    try:
        mean = table.v.mean(axis=1)
        apart = table.v - mean[:, None]
        fit = within_blocks(table.current, np.column_stack([apart, mean]), block)
        share = fit.slope[:-1] / fit.slope[-1]
        # What polarisation does to the mean it does to each group in proportion: the ratio does not suffer from it.
        ratio_fit = within_blocks(table.current, apart - share * mean[:, None], block)
    except ValueError:
        return Outcome()
    extra = -fit.slope[:-1] - np.median(-fit.slope[:-1])
    median_ohm, pack_se = -fit.slope[-1] - extra.mean(), fit.slope_se[-1]
    ratio = 1.0 + extra / median_ohm
    if not median_ohm > 0.0:
        return Outcome()
    ratio_se = _ratio_error(ratio_fit.slope_se / median_ohm, (ratio - 1.0) * float(pack_se / median_ohm))
    if not median(ratio_se) < KNOWN:  # no measurable sag: a share of it would be noise
        return Outcome()
    resting = mean + median_ohm * table.current
    flat = profile.pack_figures.of_chemistry.flat and bool(
        np.mean((resting > PLATEAU_V[0]) & (resting < PLATEAU_V[1])) > 0.9
    )
    level = 1000 * (fit.level[:-1] - np.median(fit.level[:-1]))
    hidden = HIDDEN_SHARE * extra * float(np.mean(table.current))
    step = rounding_error(signals.series("cell_voltage", table.items[0]).v)
    middle = 1.2533 * median(fit.level_se[:-1]) / np.sqrt(extra.size)  # the median group's own
    level_se = 1000 * np.sqrt(fit.level_se[:-1] ** 2 + hidden**2 + step**2 + middle**2)
    cover = len(table) / max(len(table), (session.end - session.start) / 1e6)
    out = [Metric("group_r_load_mohm", 1000 * median_ohm, "mOhm", se=1000 * pack_se, n=fit.n, coverage=cover)]
    for k, item in enumerate(table.items):
        out.append(Metric("cell_r_ratio", ratio[k], "1", se=ratio_se[k], n=fit.n, coverage=cover, item=str(item)))
        if flat:
            out.append(Metric("cell_level_mv", level[k], "mV", se=level_se[k], n=fit.n, coverage=cover, item=str(item)))
    return Outcome(tuple(out))


def _ratio_error(own: Floats, pack: Floats) -> Floats:
    """own: of each group's slope against the mean's; the median group it is held against has one as well. pack: what
    the error of the mean's slope would do to the ratio, were none of it in proportion."""
    return np.asarray(np.sqrt(own**2 + (1.2533 * median(own)) ** 2 / own.size + (APART * pack) ** 2))


def _spread_within(current: np.ndarray, block: np.ndarray) -> float:
    n = np.bincount(block)
    mean = np.bincount(block, current) / n
    return float((current - mean[block]).std())


SET = MetricSet(
    id="cell_split",
    subject=Subject.CELLS,
    needs=("cell_voltage", "pack_current"),
    figures=("pack.rated_ah",),
    kinds=("ride", "bench"),
    compute=compute,
    gives={
        "cell_r_ratio": ("1", "Resistance of the group over the pack's median group, under load"),
        "cell_level_mv": ("mV", "Deviation of the group from the median at zero current, on the plateau"),
        "group_r_load_mohm": ("mOhm", "Load resistance of the median group, pulses up to a minute mixed"),
    },
    version=4,  # values brought to one moment; errors that hold
    source=("regression of deviation on current; cluster-robust errors: Liang and Zeger, Biometrika 73 (1986) 13"),
)
