"""Neighbouring groups that move opposite and equal: the mark of the wire that they share.

Tap k between group k and k+1 is measured through one wire. When its contact moves, group k reads high by as
much as group k+1 reads low, and the pair's sum stays right; cells cannot do that. What load and charge
explain is taken out first (slope on current within ten-minute blocks, on the plateau only), then each pair's
residual is split into its common and its opposite part.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from herdbook.pipeline.arrays import Floats, Integers
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.group_ohm import usual_ohm
from herdbook.pipeline.metrics.shared.steady_moments import Steady, blocks_of, range_allowed_a, steady
from herdbook.pipeline.science.robust_fit import median, medians, within_blocks
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

BLOCK_S = 600.0
LEAST_ROWS = 80  # so that one short ride counts; the errors say what so few are worth (engineering choice)
PLATEAU_V = (3.20, 3.345)  # mean voltage, load taken out: at the knees charge moves groups apart by itself
JUMP_V = 0.02  # a change between two readings that cells cannot make at steady current (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    table = steady(signals, range_allowed_a(profile))
    if table is None:
        return Outcome()
    resting = table.v.mean(axis=1) + usual_ohm(profile) * table.current
    table = table.rows((resting > PLATEAU_V[0]) & (resting < PLATEAU_V[1]))
    if len(table) < LEAST_ROWS:
        return Outcome()
    left = _unexplained(table)
    with np.errstate(invalid="ignore"):
        # BLAS sums in another order where rows lie one after the other: the last digit stays as it was
        alike = np.abs(np.nan_to_num(np.corrcoef(np.asfortranarray(left))))
    return Outcome(tuple(_pairs(table.items, left, alike)))


def _unexplained(table: Steady) -> Floats:
    """Deviation of each group from the median group, less its block's level and its resistance: (groups, rows) V."""
    block = blocks_of(table.t, BLOCK_S)
    deviation = np.ascontiguousarray(table.v.T) - medians(table.v)
    try:
        slope = within_blocks(table.current, deviation.T, block).slope
    except ValueError:
        slope = np.zeros(len(deviation))
    left = deviation - slope[:, None] * table.current
    sums, count = np.stack([np.bincount(block, row) for row in left]), np.bincount(block)
    return np.asarray(left - np.repeat(sums / count, count, axis=1))


def _pairs(items: tuple[int, ...], left: Floats, alike: Floats) -> list[Metric]:
    """left: (groups, rows); alike: size of the correlation of each group with each."""
    a, b, n = left[:-1], left[1:], left.shape[1]
    opposite, common = 0.5 * (a - b), 0.5 * (a + b)
    anti, together, alone = (x.std(axis=1).tolist() for x in (opposite, common, left))
    product = (a * b).mean(axis=1).tolist()
    fourth = np.square(opposite * opposite).mean(axis=1).tolist()
    jumps = _jumps(opposite, common)
    out = []
    for k, (lower, upper) in enumerate(pairwise(items)):
        if upper != lower + 1:
            continue
        others = [j for j in range(len(items)) if j not in (k, k + 1)]
        elsewhere = median(np.maximum(alike[k, others], alike[k + 1, others])) if others else 0.0
        correlation = product[k] / max(alone[k] * alone[k + 1], 1e-9)
        # Kurtosis enters: a wire that opens now and then has heavy tails, and fewer samples than rows speak for
        # it.
        heavy = fourth[k] / max(anti[k] ** 4, 1e-18)
        se = anti[k] * np.sqrt(max(heavy - 1.0, 2.0) / (4 * n))
        item = f"{lower}-{upper}"
        out += [
            Metric("sense_pair_opposite_mv", 1000 * anti[k], "mV", se=1000 * se, n=n, coverage=1.0, item=item),
            Metric(
                "sense_pair_common_mv",
                1000 * together[k],
                "mV",
                se=1000 * together[k] / np.sqrt(2 * n),
                n=n,
                coverage=1.0,
                item=item,
            ),
            Metric(
                "sense_pair_correlation",
                correlation,
                "1",
                se=(1 - correlation**2) / np.sqrt(n),
                n=n,
                coverage=1.0,
                item=item,
            ),
            Metric("sense_pair_elsewhere", elsewhere, "1", se=1 / np.sqrt(n), n=n, coverage=1.0, item=item),
            Metric("sense_pair_jumps", float(jumps[k]), "1", n=n, coverage=1.0, item=item),
        ]
    return out


def _jumps(opposite: Floats, common: Floats) -> Integers:
    """How often each pair jumped opposite and equal. opposite, common: (pairs, rows)."""
    step = np.abs(np.diff(opposite, axis=1))
    pair, i = np.nonzero(step > JUMP_V)
    equal = np.abs(common[pair, i + 1] - common[pair, i]) < 0.3 * step[pair, i]
    return np.bincount(pair[equal], minlength=len(opposite))


SET = MetricSet(
    id="sense_wire",
    flat_only=True,
    subject=Subject.CELLS,
    needs=("cell_voltage", "pack_current"),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "sense_pair_opposite_mv": ("mV", "Opposite movement of two neighbours beyond load, standard deviation"),
        "sense_pair_common_mv": ("mV", "Common movement of two neighbours beyond load, standard deviation"),
        "sense_pair_correlation": ("1", "Correlation of the two: -1 is a wire, 0 is noise"),
        "sense_pair_elsewhere": ("1", "How the pair's movement correlates with other groups; median, without sign"),
        "sense_pair_jumps": ("1", "Jumps past 20 mV between readings, opposite and equal in both"),
    },
    version=2,
    source=("a shared tap wire shifts two neighbours by equal and opposite amounts (circuit of a series string)"),
)
