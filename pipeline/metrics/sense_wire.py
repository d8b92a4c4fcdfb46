"""Neighbouring groups that move opposite and equal: the mark of the wire that they share.

Tap k between group k and k+1 is measured through one wire. When its contact moves, group k reads high by as
much as group k+1 reads low, and the pair's sum stays right; cells cannot do that. What load and charge
explain is taken out first (slope on current within ten-minute blocks, on the plateau only), then each pair's
residual is split into its common and its opposite part.
"""

from __future__ import annotations

import numpy as np

from pipeline.metrics._group_ohm import usual_ohm
from pipeline.metrics._steady import Steady, range_allowed_a, steady
from pipeline.metrics.model import Metric, MetricSet, Outcome, Session
from pipeline.profile import Profile
from pipeline.science.robust_fit import Floats, median, within_blocks
from pipeline.signals import Signals

BLOCK_S = 600.0
LEAST_ROWS = 200
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
        alike = np.abs(np.nan_to_num(np.corrcoef(left.T)))
    out = []
    for k in range(len(table.items) - 1):
        if table.items[k + 1] == table.items[k] + 1:
            others = [j for j in range(len(table.items)) if j not in (k, k + 1)]
            elsewhere = median(np.maximum(alike[k, others], alike[k + 1, others])) if others else 0.0
            out += _pair(table.items[k], left[:, k], left[:, k + 1], elsewhere)
    return Outcome(tuple(out))


def _unexplained(table: Steady) -> Floats:
    """Deviation of each group from the median group, less its block's level and its resistance: (rows,
    groups)
    V."""
    block = np.unique((table.t - table.t[0]) // int(BLOCK_S * 1e6), return_inverse=True)[1].astype(np.int64)
    deviation = table.v - np.median(table.v, axis=1)[:, None]
    try:
        slope = within_blocks(table.current, deviation, block).slope
    except ValueError:
        slope = np.zeros(deviation.shape[1])
    left = deviation - slope * table.current[:, None]
    count = np.bincount(block)[:, None]
    sums = np.stack([np.bincount(block, left[:, j]) for j in range(left.shape[1])], axis=1)
    return np.asarray(left - (sums / count)[block])


def _pair(lower: int, a: Floats, b: Floats, elsewhere: float) -> list[Metric]:
    opposite, common = 0.5 * (a - b), 0.5 * (a + b)
    n = a.size
    anti, sum_part = float(opposite.std()), float(common.std())
    item = f"{lower}-{lower + 1}"
    correlation = float(np.mean(a * b) / max(a.std() * b.std(), 1e-9))
    jumps = (np.abs(np.diff(opposite)) > JUMP_V) & (np.abs(np.diff(common)) < 0.3 * np.abs(np.diff(opposite)))
    # Kurtosis enters: a wire that opens now and then has heavy tails, and fewer samples than rows speak for
    # it.
    heavy = float(np.mean(np.square(opposite * opposite))) / max(anti**4, 1e-18)
    se = anti * np.sqrt(max(heavy - 1.0, 2.0) / (4 * n))
    return [
        Metric("sense_pair_opposite_mv", 1000 * anti, "mV", 1000 * se, n, 1.0, item),
        Metric("sense_pair_common_mv", 1000 * sum_part, "mV", 1000 * sum_part / np.sqrt(2 * n), n, 1.0, item),
        Metric("sense_pair_correlation", correlation, "1", (1 - correlation**2) / np.sqrt(n), n, 1.0, item),
        Metric("sense_pair_elsewhere", elsewhere, "1", 1 / np.sqrt(n), n, 1.0, item),
        Metric("sense_pair_jumps", float(jumps.sum()), "1", None, n, 1.0, item),
    ]


SET = MetricSet(
    id="sense_wire",
    needs=("cell_voltage", "pack_current"),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "sense_pair_opposite_mv": ("mV", "Opposite movement of two neighbours that load does not explain"),
        "sense_pair_common_mv": ("mV", "Common movement of two neighbours that load does not explain"),
        "sense_pair_correlation": ("1", "Correlation of the two: -1 is a wire, 0 is noise"),
        "sense_pair_elsewhere": ("1", "How the pair's movement correlates with other groups; median, without sign"),
        "sense_pair_jumps": ("1", "Jumps past 20 mV between readings, opposite and equal in both"),
    },
    source=("a shared tap wire shifts two neighbours by equal and opposite amounts (circuit of a series string)"),
)
