"""Straight lines with honest errors: ordinary least squares, and a robust slope common to blocks of time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Floats, Indices, Integers
from herdbook.pipeline.science.meta_analysis import Z95, t95

SHORT = 32  # so few are sorted as fast as they are parted
HUBER = 1.345  # 95 % efficient for normal noise (P. J. Huber, Robust Statistics, 1981)
STEP_SD = 12.0**-0.5  # standard deviation of rounding to a step of 1
MAD_TO_SD = 1.482602218505602  # 1 / normal quantile of 0.75


@dataclass(frozen=True, slots=True)
class StraightLine:
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


def line(x: Floats, y: Floats) -> StraightLine:
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
    return StraightLine(
        slope=slope,
        intercept=float(ym - slope * xm),
        slope_se=se,
        intercept_se=sd * np.sqrt(1 / n + xm**2 / sxx),
        residual_sd=sd,
        n=n,
    )


def median(values: NDArray[Any]) -> float:
    """Median of a row of numbers without NaN; what np.median gives, without its overhead. NaN of an empty row."""
    return float(medians(values)) if values.size else float("nan")


def medians(values: NDArray[Any]) -> Floats:
    """Medians over the last axis, which is not empty; numbers without NaN."""
    n = values.shape[-1]
    k = n // 2
    short = n <= SHORT
    ranked = np.sort(values, axis=-1) if short else np.partition(values, k, axis=-1)
    middle = ranked[..., k].astype(np.float64)
    if n % 2 == 0:
        middle = 0.5 * (middle + (ranked[..., k - 1] if short else ranked[..., :k].max(axis=-1)))
    return middle


def known_medians(values: Floats) -> Floats:
    """Medians over the first axis of what is not NaN; NaN where nothing is known."""
    ranked = np.sort(values, axis=0)  # NaN sorts last
    known = values.shape[0] - np.isnan(values).sum(axis=0)
    i = np.arange(values.shape[1])
    low, high = ranked[np.maximum(known - 1, 0) // 2, i], ranked[np.minimum(known // 2, len(ranked) - 1), i]
    return np.asarray(np.where(known > 0, 0.5 * (low + high), np.nan))


def rounding_error(values: Floats, most: int = 5000) -> float:
    """Standard error that rounding leaves in a mean of readings, from the first so many: 1/sqrt(12) of their step where
    they stand still, less the more they move, nothing once they move by a step.

    Source: B. Widrow and I. Kollar, Quantization Noise (2008): a normal dither of sd s lowers it by exp(-2 (pi s/q)^2).
    """
    known = values[:most]
    known = known[np.isfinite(known)]
    between = np.diff(np.unique(known))
    between = between[between > 1e-9]
    if not between.size:
        return 0.0
    step = float(between.min())
    return STEP_SD * step * float(np.exp(-2.0 * (np.pi * known.std() / step) ** 2))


def robust_sd(values: Floats) -> float:
    """Standard deviation from the median absolute deviation. values: a row without NaN."""
    return MAD_TO_SD * median(np.abs(values - median(values)))


@dataclass(frozen=True, slots=True)
class SampleBlocks:
    """Which samples belong together. of (n,): number of the block; order: None where blocks stand in order already,
    as samples in time do. first: where each block present begins, in that order; ids: its number; sizes: its samples.
    """

    of: Integers
    order: Indices | None
    first: Indices
    ids: Integers
    sizes: Indices

    @staticmethod
    def by(of: Integers) -> SampleBlocks:
        order = None if bool((of[1:] >= of[:-1]).all()) else np.argsort(of, kind="stable")
        ranked = of if order is None else of[order]
        first = np.flatnonzero(np.diff(ranked, prepend=-1))
        return SampleBlocks(of, order, first, ranked[first], np.diff(first, append=of.size))

    def sums(self, values: Floats) -> Floats:
        """Sums over the last axis, (..., blocks)."""
        return np.add.reduceat(values if self.order is None else values[..., self.order], self.first, axis=-1)

    def spread(self, values: Floats) -> Floats:
        """A value a block back to its samples: (..., blocks) to (..., n)."""
        out = np.repeat(values, self.sizes, axis=-1)
        if self.order is None:
            return out
        back = np.empty_like(out)
        back[..., self.order] = out
        return back


def within_blocks(x: Floats, y: Floats, block: Integers, rounds: int = 6) -> Slopes:
    """Slope of y on x inside blocks, so that whatever drifts slower than a block cancels.

    Args: x (n,), y (n, columns) without NaN, block (n,) integers from 0. Huber weights tame single bad
    samples; the errors are cluster-robust by block, since neighbouring residuals are correlated (Liang and
    Zeger, Biometrika 73 (1986) 13, in its linear form).
    Raises: ValueError when fewer than 3 blocks show an x that moves.
    """
    blocks = SampleBlocks.by(block)
    y = np.ascontiguousarray(y.reshape(x.shape[0], -1).T)  # a column in one piece: all of what follows goes along it
    plain = x - blocks.spread(blocks.sums(x) / blocks.sizes)
    moved = int((blocks.sums(plain**2) > 1e-12).sum()) if x.size else 0
    if moved < 3:
        raise ValueError("fewer than three blocks with a moving x")
    weight = np.ones((1, x.size))  # at first the same for all columns
    for _ in range(rounds):
        total = np.maximum(blocks.sums(weight), 1e-300)
        dx = x - blocks.spread(blocks.sums(weight * x) / total)
        dy = y - blocks.spread(blocks.sums(weight * y) / total)
        pull = weight * dx
        sxx = (pull * dx).sum(axis=1)
        slope = (pull * dy).sum(axis=1) / sxx
        residual = dy - slope[:, None] * dx
        away = np.abs(residual - medians(residual)[:, None])
        near = HUBER * np.maximum(MAD_TO_SD * medians(away), 1e-12)[:, None]
        weight = near / np.maximum(np.abs(residual), near)
    slope_se = _slope_error(blocks.sums(pull * dx), blocks.sums(weight * dx * residual))
    level, walk = _levels(x, y, slope, weight, blocks)
    level_se = np.hypot(walk, slope_se * abs(float(np.mean(x))))  # the level is carried on to x = 0
    return Slopes(slope, slope_se, level, level_se=level_se, n=x.shape[0], blocks=moved)


def _slope_error(square: Floats, score: Floats) -> Floats:
    """Standard error of slopes whose 1.96-fold is a 95 % interval. square, score (columns, blocks): what each block
    knows, and its residuals' pull on the slope.

    Each block's pull as if the slope had been fitted without it (jackknife; R. Bell and D. McCaffrey, Surv. Methodol.
    28 (2002) 169), and Student's factor for as many blocks as would know as much if all knew alike (A. Carter, K.
    Schnepel and D. Steigerwald, Rev. Econ. Stat. 99 (2017) 698).
    """
    total = square.sum(axis=1)
    share = np.minimum(square / total[:, None], 0.95)
    jackknife = np.sqrt(((score / (1.0 - share)) ** 2).sum(axis=1)) / total
    alike = 1.0 / (share**2).sum(axis=1)
    return np.asarray(jackknife * [t95(max(n - 1.0, 1.0)) / Z95 for n in alike])


def _levels(x: Floats, y: Floats, slope: Floats, weight: Floats, blocks: SampleBlocks) -> tuple[Floats, Floats]:
    at_zero = blocks.sums(weight * (y - slope[:, None] * x)) / blocks.sums(weight)
    return np.median(at_zero, axis=1), np.array([walking_error(level) for level in at_zero])


def walking_error(values: Floats) -> float:
    """Standard error of the middle of values in order of time, whose 1.96-fold is a 95 % interval; NaN under three.

    Neighbours that are alike are fewer than they seem: n (1 - r) / (1 + r)."""
    n = values.size
    if n < 3:
        return float("nan")
    r = max(neighbours_alike(values), 0.0)
    alone = max(n * (1.0 - r) / (1.0 + r), 2.0)
    return t95(alone - 1.0) / Z95 * float(values.std(ddof=1)) / float(np.sqrt(alone))


def neighbours_alike(values: Floats, fitted: int = 1) -> float:
    """Correlation of neighbours in a row of three or more, at most 0.95; 0 of a row that does not move.

    fitted: how many figures of a curve were taken off the row before, its mean among them. What that costs is added:
    (1 + 4 r) / n for the mean (M. Kendall, Biometrika 41 (1954) 403), (1 + r) / n for each further one."""
    away = values - values.mean()
    square = float(away @ away)
    if square <= 0.0:
        return 0.0
    r = float(away[1:] @ away[:-1]) / square
    return min(r + (fitted + (fitted + 3.0) * r) / values.size, 0.95)
