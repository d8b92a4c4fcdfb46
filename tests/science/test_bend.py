"""Herds whose courses bend are told, straight ones that wander are not."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.science.bend import bend
from herdbook.pipeline.science.trajectory import Series


def straight(draw: np.random.Generator, units: int = 20) -> list[Series]:
    """Lines of their own with a wander that hangs together from value to value."""
    t = np.arange(0, 300, 10.0)
    herd = []
    for _ in range(units):
        wander = np.zeros(t.size)
        for i in range(1, t.size):
            wander[i] = 0.8 * wander[i - 1] + draw.normal(0, 0.3)
        herd.append(Series(t, 100 + draw.normal(0, 1) - draw.uniform(0.005, 0.02) * t + wander))
    return herd


def test_straight_herds_are_called_bent_as_rarely_as_is_said() -> None:
    """At 1 %: 4 of 400 herds; 10 or more would come by chance in 1 of 130 such tests."""
    draw = np.random.default_rng(3)
    found = [bend(straight(draw)) for _ in range(400)]
    assert sum(f is not None and f.p < 0.01 for f in found) < 10


def test_growth_that_feeds_itself_bends() -> None:
    """Cracks after P. Paris and F. Erdogan, J. Basic Eng. 85 (1963) 528: da/dN grows with the crack, here as a^1.5."""
    draw = np.random.default_rng(4)
    t = np.arange(0, 120, 10.0)
    herd = []
    for _ in range(21):
        rate = draw.uniform(0.003, 0.006)
        herd.append(Series(t, (1 - 0.5 * rate * t) ** -2.0 + draw.normal(0, 0.005, t.size)))
    found = bend(herd)
    assert found is not None
    assert found.p < 1e-6
    assert found.faster > 0


def test_few_units_tell_no_bend() -> None:
    assert bend(straight(np.random.default_rng(1), units=7)) is None
    assert bend([]) is None
