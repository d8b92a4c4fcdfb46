"""Two levels compared, each known from sessions with errors of their own that also scatter by more than those say.

Three values and more on a side: each side has its own scatter (science/meta_analysis.py), and the degrees of freedom
are those of B. L. Welch, Biometrika 34 (1947) 28 and F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110. Fewer on one:
both sides are taken to scatter alike, by R. C. Paule and J. Mandel's equation over both. The given errors are never
undercut. Where none are known, no difference is rarer than the rarest way of dealing the values out (R. A. Fisher, The
Design of Experiments (1935), sec. 21), and its interval is as wide: readings of a coarse sensor agree by its steps.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb, sqrt

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.meta_analysis import ROUNDS, random_effects
from herdbook.pipeline.science.student import quantile, two_sided

OWN_SCATTER = 3  # values on a side that tell its scatter by themselves; engineering choice
MOST_MORE = 200  # further sessions looked ahead


@dataclass(frozen=True, slots=True)
class LevelDifference:
    """first, second: the levels. low, high: 95 % ends of second - first, None where nothing differs at all. p: of a
    difference so large or larger where there is none. se, dof: behind the interval."""

    first: float
    second: float
    low: float | None
    high: float | None
    p: float
    se: float
    dof: float

    @property
    def rise(self) -> float:
        return self.second - self.first


@dataclass(frozen=True, slots=True)
class _Level:
    mean: float
    variance: float  # of the mean
    one: float  # of one further value
    dof: float


def difference(first: Floats, errors: Floats, second: Floats, errors_second: Floats) -> LevelDifference | None:
    """Values and own errors (standard errors above zero, or all NaN: not known) of two sides; arrays (n,), (m,).
    None where one value stands on either side: nothing tells how they scatter."""
    n, m = first.size, second.size
    if not n or not m or n + m < 3:
        return None
    levels = _levels(first, errors, second, errors_second)
    return _difference(*levels, n, m, known=_known(errors, errors_second))


def more_needed(first: Floats, errors: Floats, second: Floats, errors_second: Floats, level: float) -> int | None:
    """How many further values on the second side make the difference as rare as `level`, if it and the scatter stay as
    they are; 0: it is now; None: more than MOST_MORE would not, or nothing tells the scatter."""
    n, m = first.size, second.size
    now = difference(first, errors, second, errors_second)
    if now is None or not now.rise:
        return None
    if now.p <= level:
        return 0
    a, b = _levels(first, errors, second, errors_second)
    own = _alone(first, errors) if n >= OWN_SCATTER else a  # what the first side tells of its own scatter
    known = _known(errors, errors_second)
    for more in range(1, MOST_MORE + 1):
        then = _Level(b.mean, b.one / (m + more), b.one, m + more - 1.0)
        found = _tested(own if m + more >= OWN_SCATTER else a, then, n, m + more, known=known)
        if found is not None and found[0] <= level:
            return more
    return None


def _levels(first: Floats, errors: Floats, second: Floats, errors_second: Floats) -> tuple[_Level, _Level]:
    if min(first.size, second.size) >= OWN_SCATTER:
        return _alone(first, errors), _alone(second, errors_second)
    return _alike((first, second), (errors, errors_second))


def _alone(values: Floats, errors: Floats) -> _Level:
    n = values.size
    if not np.isfinite(errors).all():
        one = float(values.var(ddof=1))
        return _Level(float(values.mean()), one / n, one, n - 1)
    found = random_effects(values, errors)
    variance = max(found.se, found.alone) ** 2
    return _Level(found.mean, variance, variance * n, n - 1)


def _alike(values: tuple[Floats, Floats], errors: tuple[Floats, Floats]) -> tuple[_Level, _Level]:
    """Both sides with one scatter; the degrees of freedom are shared too: each level carries all of them."""
    dof = sum(v.size for v in values) - 2
    known = all(np.isfinite(e).all() for e in errors)
    own = [e**2 if known else np.zeros(v.size) for v, e in zip(values, errors, strict=True)]
    between = 0.0 if known else sum(float(((v - v.mean()) ** 2).sum()) for v in values) / dof
    for _ in range(ROUNDS if known else 0):
        weights = [1 / (o + between) for o in own]
        squares = [(v - float(w @ v / w.sum())) ** 2 for v, w in zip(values, weights, strict=True)]
        excess = sum(float(w @ s) for w, s in zip(weights, squares, strict=True)) - dof
        if excess <= 1e-10 * dof:
            break
        between += excess / sum(float(w**2 @ s) for w, s in zip(weights, squares, strict=True))
    levels = []
    for v, o in zip(values, own, strict=True):
        if not between and not known:
            levels.append(_Level(float(v.mean()), 0.0, 0.0, dof))
            continue
        w = 1 / (o + between)
        variance = float(1 / w.sum())
        levels.append(_Level(float(w @ v / w.sum()), variance, variance * v.size, dof))
    return levels[0], levels[1]


def _known(errors: Floats, errors_second: Floats) -> bool:
    return bool(np.isfinite(errors).all() and np.isfinite(errors_second).all())


def _difference(a: _Level, b: _Level, n: int, m: int, *, known: bool) -> LevelDifference:
    found = _tested(a, b, n, m, known=known)
    if found is None:
        return LevelDifference(a.mean, b.mean, None, None, 1.0, 0.0, 0.0)
    rise, (p, se, dof) = b.mean - a.mean, found
    wide = quantile(0.95, dof) * se
    return LevelDifference(a.mean, b.mean, rise - wide, rise + wide, p, se, dof)


def _tested(a: _Level, b: _Level, n: int, m: int, *, known: bool) -> tuple[float, float, float] | None:
    """p, se and dof of a difference, without its interval, which takes fifty times as long."""
    rise, variance = b.mean - a.mean, a.variance + b.variance
    rarest = 0.0 if known else (2 if n == m else 1) / comb(n + m, n)
    if variance <= 0 and (not rise or known):
        return None
    shared = min(n, m) < OWN_SCATTER
    spread = a.variance**2 / a.dof + b.variance**2 / b.dof
    dof = n + m - 2.0 if shared or not spread else variance**2 / spread
    se = sqrt(variance)
    if rise and (not se or two_sided(rise / se, dof) < rarest):
        se = abs(rise) / quantile(1 - rarest, dof)
    return max(rarest, two_sided(rise / se, dof)), se, dof
