"""Slope of a figure that is told in steps: at the moment it changes from one step to the next it is known exactly.

A reading rounded to whole steps is off by up to half a step whenever it is looked at, but where it changes it passes
the border between two steps. A line through these crossings has the error of their place only, a fraction of a per cent
where the two ends alone are off by a step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Integers

SPREAD = 0.29  # an error spread evenly over an interval, 1/sqrt(12) of its width
JUMP_STEPS, JUMP_TIMES = 2.5, 3.0  # more at once is no counting: the figure was set anew (engineering choice)


@dataclass(frozen=True, slots=True)
class Crossed:
    """slope and its standard error, in units of v over units of x; crossings: how many; span: between the first and the
    last of a piece, in x, all pieces together."""

    slope: float
    se: float
    crossings: int
    span: float


def slope_of_steps(x: Floats, v: Floats, usual: float) -> Crossed | None:
    """x, v (n,): what is counted and the stepped figure read with it, in order of time, no NaN. usual: size of the
    slope that is expected, to tell a jump by. None where fewer than two crossings lie in one piece.

    Pieces between jumps have a level each and one slope; the fit is weighted by where each crossing may lie. Where the
    crossings lie further off the line than that, the error grows with them (Birge's ratio: Phys. Rev. 40 (1932) 207).
    """
    at = np.flatnonzero(np.diff(v) != 0)
    if at.size < 2:
        return None
    moved, wide = np.diff(v)[at], np.abs(np.diff(x)[at])
    step = float(np.abs(moved).min())
    jump = np.abs(moved) > JUMP_STEPS * step + JUMP_TIMES * abs(usual) * wide
    place, level = 0.5 * (x[at] + x[at + 1]), 0.5 * (v[at] + v[at + 1])
    many = np.abs(moved) > 1.5 * step  # borders passed unseen between the two readings
    error = np.hypot(SPREAD * abs(usual) * wide, np.where(many, SPREAD * step, 0.02 * step))
    piece = np.cumsum(jump.astype(np.int64))
    kept = ~jump
    if kept.sum() < 2:
        return None
    return _line(place[kept], level[kept], error[kept], piece[kept])


def _line(x: Floats, v: Floats, error: Floats, piece: Integers) -> Crossed | None:
    _, of = np.unique(piece, return_inverse=True)
    weight = error**-2.0
    total = np.bincount(of, weight)
    dx, dv = (a - (np.bincount(of, weight * a) / total)[of] for a in (x, v))
    spread = float(weight @ dx**2)
    if not spread > 0:
        return None
    slope = float(weight @ (dx * dv)) / spread
    free = x.size - total.size - 1
    misfit = float(weight @ (dv - slope * dx) ** 2) / free if free > 0 else 1.0
    span = sum(float(np.ptp(x[of == k])) for k in range(total.size))
    return Crossed(slope, float(np.sqrt(max(misfit, 1.0) / spread)), x.size, span)
