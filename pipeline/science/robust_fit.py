"""Straight lines with honest errors: ordinary least squares, and a robust slope common to blocks of time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
HUBER = 1.345  # 95 % efficient for normal noise (P. J. Huber, Robust Statistics, 1981)
MAD_TO_SD = 1.482602218505602  # 1 / normal quantile of 0.75


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope * x, with standard errors and the residual standard deviation."""

    slope: float
    intercept: float
    slope_se: float
    intercept_se: float
    residual_sd: float
    n: int


@dataclass(frozen=True, slots=True)
class Slopes:
    """y = level of the block + slope * x, one slope a column of y; arrays of shape (columns,).

    level, level_se: median over blocks of the value at x = 0. n: samples. blocks: those in which x moved."""

    slope: Floats
    slope_se: Floats
    level: Floats
    level_se: Floats
    n: int
    blocks: int


def line(x: Floats, y: Floats) -> Line:
    """Ordinary least squares. Raises: ValueError under 3 points or when x does not move.

    Source: checked against NIST StRD, data set Norris."""
    n = x.shape[0]
    if n < 3 or np.ptp(x) == 0.0:
        raise ValueError("a line needs three points and an x that moves")
    xm, ym = x.mean(), y.mean()
    dx = x - xm
    sxx = float(dx @ dx)
    slope = float(dx @ (y - ym)) / sxx
    residual = y - ym - slope * dx
    sd = float(np.sqrt(residual @ residual / (n - 2)))
    se = sd / np.sqrt(sxx)
    return Line(slope, float(ym - slope * xm), se, sd * np.sqrt(1 / n + xm**2 / sxx), sd, n)


def robust_sd(values: Floats, axis: int | None = None) -> Floats:
    """Standard deviation from the median absolute deviation; NaN are left out."""
    median = np.nanmedian if np.isnan(values).any() else np.median  # the plain one takes half the time
    if axis == 0:  # along rows that lie together in memory
        values, axis = np.ascontiguousarray(values.T), -1
    centre = median(values, axis=axis, keepdims=True)
    return np.asarray(MAD_TO_SD * median(np.abs(values - centre), axis=axis))


def within_blocks(x: Floats, y: Floats, block: NDArray[np.int64], rounds: int = 6) -> Slopes:
    """Slope of y on x inside blocks, so that whatever drifts slower than a block cancels.

    Args: x (n,), y (n, columns) without NaN, block (n,) integers from 0. Huber weights tame single bad
    samples; the errors are cluster-robust by block, since neighbouring residuals are correlated (Liang and
    Zeger, Biometrika 73 (1986) 13, in its linear form).
    Raises: ValueError when fewer than 3 blocks show an x that moves.
    """
    y = y.reshape(x.shape[0], -1)
    count = int(block.max()) + 1 if block.size else 0
    moved = np.zeros(count)
    plain = x - _block_mean(x[:, None], np.ones((x.size, 1)), block, count)[:, 0]
    np.add.at(moved, block, plain**2)
    blocks = int((moved > 1e-12).sum())
    if blocks < 3:
        raise ValueError("fewer than three blocks with a moving x")
    weight = np.ones_like(y)
    for _ in range(rounds):
        total = np.maximum(_block_sum(weight, block, count), 1e-300)
        dx = x[:, None] - (_block_sum(weight * x[:, None], block, count) / total)[block]
        dy = y - (_block_sum(weight * y, block, count) / total)[block]
        sxx = (weight * dx * dx).sum(axis=0)
        slope = (weight * dx * dy).sum(axis=0) / sxx
        residual = dy - slope * dx
        scale = np.maximum(robust_sd(residual, axis=0), 1e-12)
        weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(residual), 1e-15))
    score = _block_sum(weight * dx * residual, block, count)
    slope_se = np.sqrt((score**2).sum(axis=0) * blocks / (blocks - 1)) / sxx
    level, level_se = _levels(x, y, slope, weight, block, count)
    return Slopes(slope, slope_se, level, level_se, x.shape[0], blocks)


def _levels(x: Floats, y: Floats, slope: Floats, weight: Floats, block: NDArray[np.int64],
            count: int) -> tuple[Floats, Floats]:  # fmt: skip
    total = _block_sum(weight, block, count)
    used = total[:, 0] > 0
    at_zero = (_block_sum(weight * (y - slope * x[:, None]), block, count)[used]) / total[used]
    return np.median(at_zero, axis=0), 1.2533 * at_zero.std(axis=0, ddof=1) / np.sqrt(used.sum())


def _block_sum(values: Floats, block: NDArray[np.int64], count: int) -> Floats:
    """Sums by block, (count, columns). Blocks that stand in order, as samples in time do, are summed all at once."""
    first = np.flatnonzero(np.diff(block, prepend=-1))
    if block.size and (np.diff(block) >= 0).all():
        out = np.zeros((count, values.shape[1]))
        out[block[first]] = np.add.reduceat(values, first, axis=0)
        return out
    return np.stack([np.bincount(block, values[:, j], count) for j in range(values.shape[1])], axis=1)


def _block_mean(values: Floats, weight: Floats, block: NDArray[np.int64], count: int) -> Floats:
    total = np.maximum(_block_sum(weight, block, count), 1e-300)
    return (_block_sum(weight * values, block, count) / total)[block]
