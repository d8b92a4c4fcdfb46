"""Capacity and charge of the groups of one string from one charge, wherever on its curve it began and ended.

All groups pass the same charge, so that a group's voltage draws the curve of its siblings, stretched by its capacity
and moved by its charge: v(q) = M(q0 + a (q - q0) + s) + o + d (q - q0). M is the mean of the middle siblings over the
charge q that has flowed, a their capacity over its own, s how much charge it holds more at the middle of the session,
o and d what its wire and its resistance add. No table of a chemistry is asked: the steps and bends that the string
itself shows are what tells, and where there are none the error says so.

Least squares by Gauss and Newton; errors by leaving out a tenth of the charge at a time (the jackknife: B. Efron, R. J.
Tibshirani, An Introduction to the Bootstrap, 1993, chapter 11), since neighbours in charge share what disturbs them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Integers
from herdbook.pipeline.science.robust_fit import MAD_TO_SD

# Engineering choices: a share of the rated charge that rows are averaged over; over which a slope is read; the least
# that has to have flowed; parts left out in turn; rounds until it settles, and the longest step of one.
BIN, SLOPE, LEAST_SPAN, PARTS = 0.0025, 0.006, 0.12, 10
MOST_SPAN = 2.0  # no pack takes so much: its figure or the current is wrong, and each bin costs all others
ROUNDS, STEP = 24, (0.10, 0.03)
FREE_ROUNDS = 8  # after them what has left the others' curve stays out (engineering choice)
LEAST_BINS, LEAST_INSIDE = 40, 25
LEAST_NOISE_V = 2e-4
ALIKE = np.array([1.0, 0.0, 0.0, 0.0])
STARTS = 0.0, -0.06, 0.06  # differences in charge to begin from, in turn until one settles (engineering choices)
SETTLED = 1e-3
POSSIBLE = 0.4, 2.5  # what a capacity may be of another: beyond it the fit has lost its way (engineering choice)
# What is taken for possible before anything is seen, so that a flat curve tells nothing: standard deviations of a, of s
# (share), of o (V) and of d (V over all of the charge).
USUAL = np.array([0.5, 0.15, 0.05, 0.02])
STEP_SD = 0.29  # an error spread evenly over one step of resolution, 1/sqrt(12)
# No error is smaller: curves of one make are alike within so much (engineering choice).
LEAST_SCALE, LEAST_SHIFT = 0.01, 0.001


@dataclass(frozen=True, slots=True)
class Warped:
    """Per group (groups,): capacity over its siblings' and charge above theirs at the middle of the session as a share
    of the rated charge, with standard errors; NaN where nothing tells."""

    capacity: Floats
    capacity_se: Floats
    charge: Floats
    charge_se: Floats


def warped(share: Floats, volts: Floats, step_v: float) -> Warped | None:
    """share (n,): charge put in so far over the rated, rising; volts (n, groups): load taken out as well as it is
    known; step_v: resolution of the readings. None where too little flowed, or more than can, or of fewer than four
    groups."""
    if volts.shape[1] < 4 or share.size < LEAST_BINS or np.ptp(share) > MOST_SPAN:
        return None
    q, v = _averaged(share, volts)
    if q.size < LEAST_BINS or np.ptp(q) < LEAST_SPAN:
        return None
    level = v.mean(axis=0)
    order = np.argsort(np.abs(level - np.median(level)))
    middle = order[: max(3, (level.size + 1) // 2)]
    smooth = np.exp(-0.5 * ((q[:, None] - q) / SLOPE) ** 2)
    smooth /= smooth.sum(axis=1, keepdims=True)
    part = np.minimum(((q - q[0]) / np.ptp(q) * PARTS).astype(int), PARTS - 1)
    rows = []
    for g in range(level.size):
        others = middle[middle != g]
        blunt = float(np.mean((smooth**2).sum(axis=1))) / others.size
        rows.append(_fit(q, v[:, g], smooth @ v[:, others].mean(axis=1), part, step_v, blunt))
    found = np.array(rows)
    if np.isfinite(found[:, 0]).sum() < 4:
        return None
    found[:, 0] /= np.nanmedian(found[:, 0])  # a mean of curves is blunter than any of them, for all groups alike
    found[:, 2] -= np.nanmedian(found[:, 2])
    for k in (0, 2):
        errors = np.maximum(found[:, k + 1], np.nanmedian(found[:, k + 1]))  # by chance alone some seem better known
        # Siblings of one make are alike in capacity, while their charges truly differ
        found[:, k + 1] = errors * (_scatter(found[:, k], errors) if k == 0 else 1.0)
    return Warped(found[:, 0], found[:, 1], found[:, 2], found[:, 3])


def _scatter(values: Floats, errors: Floats) -> float:
    """By how much siblings, most of them sound, lie further apart than their errors say; 1 at least."""
    known = np.isfinite(values)
    if known.sum() < 4:
        return 1.0
    away = np.abs(values[known] - np.median(values[known])) / errors[known]
    return max(1.0, MAD_TO_SD * float(np.median(away)))


def _averaged(share: Floats, volts: Floats) -> tuple[Floats, Floats]:
    """Mean share and voltages of each BIN that holds rows."""
    place = np.floor(share / BIN).astype(int)
    place -= place.min()
    count = np.bincount(place)
    held = count > 0
    columns = [np.bincount(place, column)[held] / count[held] for column in (share, *volts.T)]
    return np.asarray(columns[0]), np.column_stack(columns[1:])


def _fit(
    q: Floats, v: Floats, others: Floats, part: Integers, step_v: float, blunt: float
) -> tuple[float, float, float, float]:
    """Capacity over the others', its error, charge above theirs, its error. blunt: variance of the others' curve over
    that of one reading."""
    none = (float("nan"),) * 4
    ties = 1.0 / USUAL
    found = next((x for charge in STARTS if (x := _settled(q, v, others, charge)) is not None), None)
    if found is None:
        return none
    p, noise, inside = found
    sides, left, _ = _sides(q, v, others, p)
    parts = np.unique(part[inside])
    if parts.size < 4:
        return none
    without = np.array(
        [_solve(sides[k], left[k], noise * ties, p - ALIKE) for x in parts if (k := inside & (part != x)).any()]
    )
    n = len(without)
    spread = np.sqrt((n - 1) / n * ((without - without.mean(axis=0)) ** 2).sum(axis=0))
    # What the ties alone keep in place no tenth left out tells. And a reading that is rounded errs by the same until it
    # changes: so many errors as there are changes.
    changes = max(float(np.abs(np.diff(v[inside])).sum()) / step_v, 1.0)
    known = _without_noise(sides[inside], noise**2 * blunt / (2.0 * SLOPE**2), q[inside] - q.mean())
    tied = np.linalg.inv(known.T @ known + np.diag((noise * ties) ** 2))
    ratio = max(float(inside.sum()) / changes, 1.0)
    own = np.diag(tied) * (noise**2 + (STEP_SD * step_v) ** 2 * ratio)
    spread = np.sqrt(np.maximum(spread**2, own) + np.array([LEAST_SCALE, LEAST_SHIFT, 0.0, 0.0]) ** 2)
    scale_se, shift_se = float(spread[0]), float(spread[1])
    return 1.0 / float(p[0]), scale_se / float(p[0]) ** 2, float(p[1]), shift_se


def _settled(q: Floats, v: Floats, others: Floats, charge: float) -> tuple[Floats, float, Bools] | None:
    """The unknowns from one place to start from, how far readings lie off [V], and where the others' curve is known;
    None where it does not settle."""
    p = ALIKE + np.array([0.0, charge, 0.0, 0.0])
    kept = np.ones(q.size, bool)
    for turn in range(ROUNDS):
        sides, left, inside = _sides(q, v, others, p)
        # What lies at the curve's end comes and goes from step to step, and the answer with it
        kept = inside if turn < FREE_ROUNDS else kept & inside
        if kept.sum() < LEAST_INSIDE:
            return None
        noise = _noise(sides[kept], left[kept])
        step = _solve(sides[kept], left[kept], noise / USUAL, p - ALIKE)
        step[:2] = np.clip(step[:2], -np.array(STEP), STEP)
        p = p + step
        if np.abs(step[:2]).max() < SETTLED:
            break
    else:
        return None
    return (p, noise, kept) if POSSIBLE[0] < p[0] < POSSIBLE[1] else None


def _sides(q: Floats, v: Floats, others: Floats, p: Floats) -> tuple[Floats, Floats, Bools]:
    """What each unknown moves (n, 4), what is left (n,), and where the others' curve is known."""
    away = q - q.mean()
    at = q.mean() + p[0] * away + p[1]
    slope = (np.interp(at + SLOPE, q, others) - np.interp(at - SLOPE, q, others)) / (2.0 * SLOPE)
    left = v - np.interp(at, q, others) - p[2] - p[3] * away
    inside = (at >= q[0]) & (at <= q[-1])
    return np.column_stack([slope * away, slope, np.ones(q.size), away]), left, inside


def _without_noise(sides: Floats, variance: float, away: Floats) -> Floats:
    """Sides whose slope bends by no more than it would without its own noise, a variance: a bend that is noise tells
    nothing."""
    slope = sides[:, 1]
    mean = float(slope.mean())
    bends = float(slope.var())
    true = mean + (slope - mean) * np.sqrt(max(1.0 - variance / bends, 0.0) if bends > 0 else 0.0)
    return np.column_stack([true * away, true, sides[:, 2], sides[:, 3]])


def _noise(sides: Floats, left: Floats) -> float:
    """How far readings lie off the best straight answer [V]."""
    rest = left - sides @ np.linalg.lstsq(sides, left, rcond=None)[0]
    return max(float(np.sqrt(np.mean(rest**2))), LEAST_NOISE_V)


def _solve(sides: Floats, left: Floats, ties: Floats, off: Floats) -> Floats:
    """A step by least squares, tied to what is usual."""
    return np.asarray(
        np.linalg.lstsq(np.vstack([sides, np.diag(ties)]), np.concatenate([left, -off * ties]), rcond=None)[0]
    )
