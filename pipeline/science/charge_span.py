"""How much a pack holds by one charge to full, wherever it began: which part of its curve it drew.

The voltage draws a stretch of the open-circuit curve, v(q) = U(z0 + q / C) + drop. Which curve a cell has nobody knows;
of all that it may have (half_cells.py), with any begin z0 and any capacity C, some draw the voltages that were read. So
far as they agree in C the charge tells it: well where it runs from the foot to the knee near full, hardly at all on a
flat stretch. What a load adds is left open: its size, how it changes with charge, how it builds up after the onset, and
what no published curve has. All of that is Gaussian, so that the likelihood of every curve, begin and capacity is
closed; they are summed over a grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.science.half_cells import CHARGE, possible_curves

# Capacities over the rated, and ends by the anchor's errors, that are tried (engineering choices).
CAPACITIES, ENDS = np.arange(0.36, 1.241, 0.02), np.arange(-2.0, 2.01, 1.0)
# Shares of the usual drop: its size is open by so much; it changes with charge by so much, more near empty, over so
# much of the charge (from memory: near empty the resistance of LFP cells is up to twice that of mid charge).
DROP, UNEVEN, NEAR_EMPTY, EMPTY_WIDTH = 1.0, 0.15, 0.6, 0.08
DROP_V = 0.03  # and by so much whatever the drop: two branches of the curve (engineering choice)
# After the onset: what of the drop comes slowly, over seconds (without the fastest a charge begun on the plateau was
# read as one begun empty), and the branch that turns, over a share of charge (engineering choices; Dreyer et al.,
# Nature Materials 9 (2010) 448, from memory).
SLOW_S, TURN_V, TURN = (25.0, 100.0, 400.0), 0.02, 0.04
OWN_V, REST_V = 0.003, 0.012  # of a reading under current and before it (engineering choices)
# What no published curve has: so much, alike over so much of the charge (engineering choices).
SHAPE_V, SHAPE_WIDTH = 0.006, 0.10
LEAST_BEGIN = -0.05  # a pack driven under the foot of its curve (engineering choice)
GRID = 0.015  # of a capacity: the grid, and how fast charges of a cell of another code (PyBaMM) were read
BELOW_V, ABOVE_V = 9.0, 3.0  # V for all of the charge, beyond the ends of a curve (engineering choices)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings of a charge: share (n,) put in so far over the rated, rising; seconds (n,) since current flows; volts
    (n,) of the middle group with the usual drop taken out; drop (n,) that was taken out; resting (n,): before current
    flowed. full: share put in when it was full, how full in shares of the capacity, and the
    error of that."""

    share: Floats
    seconds: Floats
    volts: Floats
    drop: Floats
    resting: Bools
    full: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Held:
    """capacity over the rated, with its standard error; begin: at which charge it began, 0 to 1; misfit: how far
    readings lie off the likeliest answer, in their errors, root mean square."""

    capacity: float
    se: float
    begin: float
    misfit: float


def held_by(s: Stretch) -> Held:
    capacity, begin, loglik, misfit = _weighed(s)
    chance = np.exp(loglik - loglik.max()).sum(axis=0)
    chance /= chance.sum()
    value = float(chance @ capacity)
    se = float(np.sqrt(chance @ (capacity - value) ** 2 + GRID**2))
    return Held(value, se, float(chance @ begin), misfit)


def _weighed(s: Stretch) -> tuple[Floats, Floats, Floats, float]:
    """Capacity and begin of every pair, the log likelihood of each with every curve, (curves, pairs), and the least
    misfit."""
    capacity, begin, beforehand = _tried(s)
    z = begin[:, None] + s.share / capacity[:, None]
    at = np.clip(z, 0.0, 1.0) * (CHARGE.size - 1)
    place = np.minimum(at.astype(int), CHARGE.size - 2)
    part = at - place
    beyond = BELOW_V * np.minimum(z, 0.0) + ABOVE_V * np.maximum(z - 1.0, 0.0) - s.volts
    whiten = np.linalg.inv(np.linalg.cholesky(_noise(s))).T
    curves = possible_curves()
    cost = np.empty((len(curves), capacity.size))
    for k, curve in enumerate(curves):
        away = (curve[place] * (1.0 - part) + curve[place + 1] * part + beyond) @ whiten
        cost[k] = np.einsum("pn,pn->p", away, away)
    return capacity, begin, beforehand - 0.5 * cost, float(np.sqrt(cost.min() / s.share.size))


def _tried(s: Stretch) -> tuple[Floats, Floats, Floats]:
    """Pairs of capacity and begin, with the logarithm of what is thought of them beforehand."""
    share, level, se = s.full
    capacity, away = (x.ravel() for x in np.meshgrid(CAPACITIES, ENDS, indexing="ij"))
    begin = level + away * se - share / capacity
    kept = begin > LEAST_BEGIN
    return capacity[kept], begin[kept], -0.5 * away[kept] ** 2


def _noise(s: Stretch) -> Floats:
    """Covariance (n, n) of what load, noise and the shape of an unpublished curve leave in the readings."""
    flows = ~s.resting
    usual = float(np.median(np.abs(s.drop[flows])))
    q = s.share - s.share[0]
    sides = [DROP * s.drop, DROP_V * flows, TURN_V * flows * np.exp(-q / TURN)]
    sides += [usual * flows * np.exp(-s.seconds / slow) for slow in SLOW_S]
    sides.append(NEAR_EMPTY * usual * flows * np.exp(-q / EMPTY_WIDTH))
    near = np.exp(-0.5 * ((q[:, None] - q) / SHAPE_WIDTH) ** 2)
    uneven = UNEVEN * np.abs(s.drop)
    out = np.diag(np.where(s.resting, REST_V, OWN_V) ** 2) + (SHAPE_V**2 + np.outer(uneven, uneven)) * near
    return np.asarray(out + sum(np.outer(side, side) for side in sides))
