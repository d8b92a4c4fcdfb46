"""Forecasts of figures that age: that a stated 95 % interval holds what comes, in worlds drawn here whose truth is
known, with neighbours in time alike and with few points.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.trajectory import Herd, Series, course, crossing, herd_model

EVERY, AHEAD = 10.0, 90.0


@dataclass(frozen=True, slots=True)
class Truth:
    """Of one unit: its course, and a reading AHEAD days after its last value."""

    course: Callable[[Floats], Floats]
    reading: float

    def date(self, limit: float, end: float) -> float:
        """The first day from `end` on at which the course lies below the limit, infinite past a year."""
        days = end + np.arange(0.0, 400.0, 0.5)
        below = self.course(days) <= limit
        return float(days[int(np.argmax(below))]) if below.any() else np.inf


def shape(draw: np.random.Generator, kind: str, last: float) -> Callable[[Floats], Floats]:
    """From 100 give or take 1, falling by 0.6 a hundred days, give or take 0.25. kind: straight; bend: faster by
    1.2e-4 a day a day, give or take 30 %; knee: at a day of its own in the record it falls by 1 to 4 more a hundred
    days; knee in some: three in ten have one; slowing: with the root of age, as calendar ageing does."""
    a, b = 100 + draw.normal(0, 1), (-0.6 + draw.normal(0, 0.25)) / 100
    if kind == "slowing":
        c = 0.25 * abs(draw.normal(1, 0.3))
        return lambda t: a - c * np.sqrt(t)
    if kind == "bend":
        c = 1.2e-4 * abs(draw.normal(1, 0.3))
        return lambda t: a + b * t - c * t**2
    if kind.startswith("knee"):
        at, more = draw.uniform(0.2, 1.0) * last, draw.uniform(0.01, 0.04)
        more *= kind == "knee" or draw.random() < 0.3
        return lambda t: a + b * t - more * np.maximum(t - at, 0)
    return lambda t: a + b * t


def world(
    draw: np.random.Generator, units: int, points: int, alike: float, kind: str
) -> tuple[list[Series], list[Truth]]:
    """Wander 0.5, noise 0.5. alike: correlation of values EVERY days apart, of the wander."""
    herd, truth = [], []
    for _ in range(units):
        t = np.cumsum(draw.exponential(EVERY, points))
        t = np.append(t, t[-1] + AHEAD)
        near = alike ** (np.abs(t[:, None] - t[None, :]) / EVERY) if alike else np.eye(t.size)
        wander = np.linalg.cholesky(near + 1e-9 * np.eye(t.size)) @ draw.normal(0, 0.5, t.size)
        of = shape(draw, kind, float(t[-2]))
        y = of(t) + wander + draw.normal(0, 0.5, t.size)
        herd.append(Series(t[:-1], y[:-1]))
        truth.append(Truth(of, float(y[-1])))
    return herd, truth


@dataclass
class Held:
    line: int = 0
    reading: int = 0
    date: int = 0
    n: int = 0

    def look(self, own: Series, truth: Truth, model: Herd | None) -> None:
        end = float(own.t[-1])
        found = course(own, model, np.array([end + AHEAD]))
        if found is None:
            return
        self.n += 1
        self.line += bool(found.low[0] <= truth.course(np.array([end + AHEAD]))[0] <= found.high[0])
        self.reading += bool(found.reading_low[0] <= truth.reading <= found.reading_high[0])
        limit = float(truth.course(np.array([end]))[0]) - 0.8
        when = crossing(own, model, limit, falls=True, horizon=200.0)
        assert when is not None
        true = truth.date(limit, end)
        first, last = when.earliest or np.inf, when.latest or np.inf
        self.date += bool(first - 1 <= true <= last + 1 or (true > end + 200 and last == np.inf))


HERDS = [
    (20, 12, 0.6, 16, "straight"),
    (20, 12, 0.0, 16, "straight"),
    (10, 6, 0.6, 30, "straight"),
    (30, 3, 0.6, 20, "straight"),
    (20, 12, 0.6, 12, "bend"),
    (20, 12, 0.6, 12, "knee"),
    (20, 12, 0.6, 12, "knee in some"),
    (20, 12, 0.6, 12, "slowing"),
]
ALONE = [
    (1, 20, 0.6, 400, "straight"),
    (1, 30, 0.8, 400, "straight"),
    (1, 20, 0.6, 400, "bend"),
    (1, 30, 0.6, 400, "knee"),
]
NONE_TOO_WIDE = ("straight", "bend")  # what turns suddenly is held by intervals that are wide for the others


@pytest.mark.parametrize(("units", "points", "alike", "runs", "kind"), HERDS + ALONE)
def test_intervals_hold_what_comes(units: int, points: int, alike: float, runs: int, kind: str) -> None:
    """Of each herd ten units count; they share a fit: chance moves a share by some 3 of 100 (two deviations)."""
    draw, held = np.random.default_rng(9), Held()
    for _ in range(runs):
        herd, truth = world(draw, units, points, alike, kind)
        model = herd_model(herd) if units > 1 else None
        for own, of in list(zip(herd, truth, strict=True))[:10]:
            held.look(own, of, model)
    shares = {name: getattr(held, name) / held.n for name in ("line", "reading", "date")}
    assert held.n > 80
    assert all(share >= 0.90 - 0.03 for share in shares.values()), shares
    if kind in NONE_TOO_WIDE and points >= 12:  # fewer hardly tell how much slopes drift
        assert shares["reading"] <= 0.98 + 0.01, shares


def test_too_little_says_nothing() -> None:
    few = Series(np.arange(5.0) * 10, np.array([100, 99, 99, 98, 98.0]))
    assert course(few, None, np.array([100.0])) is None
    assert crossing(few, None, 80.0, falls=True, horizon=365.0) is None
    assert herd_model([few] * 7) is None


def test_a_limit_far_off_is_not_within_the_horizon() -> None:
    draw = np.random.default_rng(2)
    t = np.arange(30.0) * 10
    own = Series(t, 100 - 0.006 * t + draw.normal(0, 0.3, 30))
    found = crossing(own, None, 60.0, falls=True, horizon=365.0)
    assert found is not None
    assert (found.earliest, found.likely, found.latest, found.passed) == (None, None, None, False)
    bent = crossing(own, None, 80.0, falls=True, horizon=365.0)  # only a bend that has not shown itself could get there
    assert bent is not None
    assert (bent.likely, bent.latest, bent.passed) == (None, None, False)
    assert bent.earliest is None or bent.earliest > t[-1] + 250
    near = crossing(own, None, 97.5, falls=True, horizon=365.0)
    assert near is not None
    assert near.likely is not None
    assert near.likely == pytest.approx(2.5 / 0.006, rel=0.25)
    behind = crossing(own, None, 99.5, falls=True, horizon=365.0)
    assert behind is not None
    assert behind.passed


def test_long_series_are_averaged_and_say_the_same() -> None:
    draw = np.random.default_rng(4)
    herd = []
    for _ in range(12):
        t = np.arange(300.0)
        herd.append(Series(t, 100 + draw.normal(0, 1) - 0.01 * t + draw.normal(0, 0.5, t.size)))
    found = course(herd[0], herd_model(herd), np.array([400.0]))
    assert found is not None
    assert found.low[0] < float(np.polyval(np.polyfit(herd[0].t, herd[0].y, 1), 400.0)) < found.high[0]
    assert found.high[0] - found.low[0] < 0.6


def test_a_unit_that_stands_still_has_a_line_without_trouble() -> None:
    flat: Floats = np.full(20, 3.0)  # as many as a unit without a herd needs
    found = course(Series(np.arange(20.0) * 10, flat), None, np.array([280.0]))
    assert found is not None
    assert found.line[0] == pytest.approx(3.0)
