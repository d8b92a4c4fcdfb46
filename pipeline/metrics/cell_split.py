"""Each group's deviation from the pack mean, split by regression on current: v_k - mean = a_k - R'_k I.

A resistance flips with the current and vanishes at rest; a difference in charge does neither. The slope is
taken within blocks of a minute, so that the slow walk along the discharge curve cancels. Temperature and
state of charge are common to all groups and cancel in the ratio to the pack's median. Time skew between
frames: only moments of steady current are used, and all groups are brought to one (shared/steady_moments.py).
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats, Integers
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.session_charge import session_charge
from herdbook.pipeline.metrics.shared.steady_moments import (
    BLOCK_S,
    Steady,
    aligned_groups,
    blocks_of,
    range_allowed_a,
)
from herdbook.pipeline.science.meta_analysis import Z95, t95
from herdbook.pipeline.science.robust_fit import SampleBlocks, median, rounding_error, within_blocks
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
# Standard deviation of current inside blocks under which nobody tries, and errors that the pack's sag has to stand out
# by: what each ratio is worth its own error says (engineering choices).
LEAST_SPREAD_C, SURE = 0.01, 3.0


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    table = aligned_groups(signals, range_allowed_a(profile))
    if table is None or len(table) < LEAST_ROWS:
        return Outcome()
    block = blocks_of(table.t, BLOCK_S)
    if _spread_within(table.current, block) < LEAST_SPREAD_C * profile.pack_figures.rated_ah:
        return Outcome()  # no load to speak of: not worth a fit
    try:
        mean = table.v.mean(axis=1)
        apart = table.v - mean[:, None]
        fit = within_blocks(table.current, np.column_stack([apart, mean]), block)
        amps, volts = _without_walk(session, signals, table, np.column_stack([apart, mean]), block)
        share, ratio_se = _shares(amps, volts[:, :-1], volts[:, -1:], block)
    except ValueError:
        return Outcome()
    extra = -fit.slope[:-1] - np.median(-fit.slope[:-1])
    median_ohm, pack_se = -fit.slope[-1] - extra.mean(), fit.slope_se[-1]
    usual = 1.0 + float(np.median(share))  # the median group's resistance over the mean's
    if not (median_ohm > 0.0 and usual > 0.0):
        return Outcome()
    ratio = (1.0 + share) / usual
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


def _without_walk(
    session: Session, signals: Signals, table: Steady, volts: Floats, block: Integers
) -> tuple[Floats, Floats]:
    """Current and voltages less what goes with the charge that has flowed, block by block: the walk along the curve.

    The walk is the same in all groups and adds to the slope of their mean, which the extra of one group is held
    against; left in, it draws every ratio toward 1. (R. Frisch, F. Waugh, Econometrica 1 (1933) 387.)"""
    current = signals.series("pack_current")
    charge = np.interp(table.t, current.t, session_charge(session, signals).run)
    blocks = SampleBlocks.by(block)
    sides = np.vstack([charge, table.current, volts.T])
    sides = sides - blocks.spread(blocks.sums(sides) / blocks.sizes)
    flowed = sides[0]
    square = np.maximum(blocks.sums(flowed**2), 1e-12)
    left = sides[1:] - flowed * blocks.spread(blocks.sums(sides[1:] * flowed) / square)
    return left[0], np.ascontiguousarray(left[1:].T)


def _shares(amps: Floats, apart: Floats, mean: Floats, block: Integers) -> tuple[Floats, Floats]:
    """What each group has more than the mean, over the mean: such that nothing that goes with the current is left of a
    group less its share of the mean; and the standard error of each ratio to the median group.

    Not one robust slope over another: weights differ from fit to fit, and so does the part of polarisation that they
    let through; of a group less its share all of it is gone, whatever its course in time. Raises: ValueError where the
    pack shows no sag."""
    blocks = SampleBlocks.by(block)
    excess, sag = blocks.sums(apart.T * amps), blocks.sums(mean.T * amps)[0]
    knows = blocks.sums(amps**2)
    without = (sag.sum() - sag) / np.maximum(knows.sum() - knows, 1e-12)
    slope = float(sag.sum() / knows.sum())
    if not -slope > SURE * float(_jackknife(without[None, :], knows)[0]):
        raise ValueError("no sag that goes with the current")
    share = excess.sum(axis=1) / sag.sum()
    share = share + within_blocks(amps, apart - share * mean, block).slope / slope  # single bad samples tamed
    left = (excess.sum(axis=1, keepdims=True) - excess) / (sag.sum() - sag)
    error = _jackknife((1.0 + left) / (1.0 + np.median(left, axis=0)), knows)
    # the group that is itself the middle is no better known than the middle of so many
    return share, np.maximum(error, 1.2533 * median(error) / np.sqrt(error.size))


def _jackknife(without: Floats, knows: Floats) -> Floats:
    """Standard error, for use with 1.96, of figures (n, blocks) that leave out one block after another: groups whose
    values come in one frame share what disturbs them, and so does the median that all are held against.

    Student's factor for as many blocks as would know as much if all knew alike, as in within_blocks()."""
    n = without.shape[1]
    share = knows / knows.sum()
    alike = max(1.0 / float((share**2).sum()) - 1.0, 1.0)
    away = without - without.mean(axis=1, keepdims=True)
    return np.asarray(t95(alike) / Z95 * np.sqrt((n - 1.0) / n * (away**2).sum(axis=1)))


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
    version=6,  # a ratio of what goes with the current; errors by leaving out blocks
    source=(
        "regression of deviation on current; errors by leaving out blocks: R. Miller, Biometrika 61 (1974) 1; "
        "of levels: Liang and Zeger, Biometrika 73 (1986) 13"
    ),
)
