"""Where in a charge the voltage of a string takes the uppermost step of its curve between two flat stretches.

The open-circuit curve of flat cells rises in a few steps, where graphite passes from one of its stages to the next.
They lie at the same share of the charge in packs of a type that have aged alike (lithium that is lost moves full
towards them): a place in mid-charge that is known without a full or an empty pack, and far better than any voltage on
the plateau tells it. It is found as the steepest place of the curve
that has flat stretches on both sides, in each group apart; the middle of the groups counts, and how far they scatter
is its error. Source: incremental capacity, M. Dubarry, B. Y. Liaw, J. Power Sources 194 (2009) 541; the local slopes
are those of a line weighted by nearness (W. S. Cleveland, J. Am. Stat. Assoc. 74 (1979) 829).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Integers
from herdbook.pipeline.science.robust_fit import MAD_TO_SD

# Shares of the rated charge: rows are averaged over, a slope is read over, places are tried at, and a step has to stand
# alone by on either side (engineering choices).
BIN, NEAR, GRID, REACH = 0.004, 0.012, 0.002, 0.05
LEAST_BINS, MOST_SPAN = 40, 2.0
# A step rises by so much above what the flat stretches beside it rise, V, and is so much steeper than they are; less is
# a bend, noise, or a resistance that changes (engineering choices).
LEAST_RISE_V, STEEPER = 0.006, 2.0
LEAST_SE = 0.002  # no place is known better: a step is some hundredths wide (engineering choice)


@dataclass(frozen=True, slots=True)
class CurveStep:
    """share: charge put in at the step, in the unit of the given shares, with its standard error; volts: of the middle
    group there; groups: how many tell it."""

    share: float
    se: float
    volts: float
    groups: int


def upper_step(share: Floats, volts: Floats) -> CurveStep | None:
    """share (n,): charge put in so far over the rated, rising; volts (n, groups) under a current that hardly changes.
    None where there is no step, or too little flowed."""
    span = float(np.ptp(share)) if share.size else 0.0
    if volts.shape[1] < 4 or not 2.0 * (REACH + 2.0 * NEAR) < span < MOST_SPAN:
        return None
    q, v = _averaged(share, volts)
    grid = np.arange(q[0] + 2.0 * NEAR, q[-1] - 2.0 * NEAR, GRID)
    side = round(REACH / GRID)
    if q.size < LEAST_BINS or grid.size < 2 * side + 1:
        return None
    weight = np.exp(-0.5 * ((grid[:, None] - q) / NEAR) ** 2)
    weight /= weight.sum(axis=1, keepdims=True)
    slopes = _slopes(weight, q, v)
    # A wire that reads wrongly, or a group that stands far off, is not the string's: the middle half of the groups
    usual = np.sort(slopes, axis=1)[:, v.shape[1] // 4 : -(v.shape[1] // 4)].mean(axis=1)
    at = _steps(usual, side)
    if not at.size:
        return None
    best = int(at[-1])
    around = slopes[best - side : best + side + 1]
    own = grid[best - side + around.argmax(axis=0)]
    inside = np.abs(own - np.median(own)) < 0.9 * REACH  # steepest at the very edge: that group shows no step
    if inside.sum() < 4:
        return None
    middle = float(np.median(own[inside]))
    spread = MAD_TO_SD * float(np.median(np.abs(own[inside] - middle)))
    level = float(np.median(weight[best] @ v))
    return CurveStep(
        middle, float(np.hypot(1.2533 * spread / np.sqrt(inside.sum()), LEAST_SE)), level, int(inside.sum())
    )


def _averaged(share: Floats, volts: Floats) -> tuple[Floats, Floats]:
    """Mean share and voltages of each BIN that holds rows."""
    place = np.floor((share - share.min()) / BIN).astype(int)
    count = np.bincount(place)
    held = count > 0
    columns = [np.bincount(place, column)[held] / count[held] for column in (share, *volts.T)]
    return np.asarray(columns[0]), np.column_stack(columns[1:])


def _slopes(weight: Floats, q: Floats, v: Floats) -> Floats:
    """Slope of the line by each place of the grid, (grid, groups); V a unit of share."""
    centre = weight @ q
    away = q - centre[:, None]
    bent = weight * away
    return np.asarray((bent @ v) / (bent * away).sum(axis=1)[:, None])


def _steps(slope: Floats, side: int) -> Integers:
    """Places of the grid at which a step stands between flat stretches, from below."""
    found = []
    for i in range(side, slope.size - side):
        near = slope[i - side : i + side + 1]
        flat = max(float(near[:side].min()), float(near[side + 1 :].min()))
        rise = float(np.clip(near - flat, 0.0, None).sum()) * GRID
        if slope[i] == near.max() and slope[i] > STEEPER * max(flat, 0.0) and rise > LEAST_RISE_V:
            found.append(i)
    return np.array(found, int)
