"""Adjusted differences: closed forms, and how often they are wrong where there is nothing and right where there is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from herdbook.pipeline.science.adjusted import difference, dummies, shift


def test_two_plain_groups_have_the_closed_form() -> None:
    """HC3 of two means: s^2 / (n - 1) of each."""
    draw = np.random.default_rng(1)
    a, b = draw.normal(1, 2, 12), draw.normal(0, 1, 30)
    found = difference(np.concatenate([a, b]), np.arange(42) < 12, np.empty((42, 0)))
    assert found is not None
    se = np.sqrt(a.var(ddof=1) / 11 + b.var(ddof=1) / 29)
    assert found.value == pytest.approx(a.mean() - b.mean())
    assert found.least == pytest.approx(2.801585 * se)


def test_simpsons_trap() -> None:
    """Both groups alike on either site, one of which is higher: a difference over all, none within."""
    draw = np.random.default_rng(2)
    hill = np.array([True] * 40 + [False] * 10 + [True] * 10 + [False] * 40)
    group = np.arange(100) < 50
    y = 3.0 * hill + draw.normal(0, 1, 100)
    crude = difference(y, group, np.empty((100, 0)))
    within = difference(y, group, dummies(["hill" if h else "flat" for h in hill]))
    assert crude is not None
    assert within is not None
    assert crude.p < 1e-4
    assert within.p > 0.05
    assert within.low < 0 < within.high


def test_what_is_one_with_its_site_cannot_be_told() -> None:
    group = np.arange(20) < 10
    assert difference(np.arange(20.0), group, dummies(["a" if g else "b" for g in group])) is None


@pytest.mark.parametrize("truth", [0.0, 1.5])
def test_intervals_hold_with_spreads_that_differ(truth: float) -> None:
    draw, held = np.random.default_rng(3), 0
    for _ in range(1000):
        site = draw.integers(0, 3, 40)
        group = draw.random(40) < 0.2 + 0.25 * site
        age = draw.uniform(0, 2, 40)
        y = truth * group + 2.0 * site + age + draw.normal(0, 1, 40) * np.where(group, 2.0, 0.7)
        beside = np.concatenate([dummies([str(s) for s in site]), age[:, None]], axis=1)
        found = difference(y, group, beside)
        held += found is not None and found.low <= truth <= found.high
    assert 0.93 <= held / 1000 <= 0.98, held / 1000


def test_a_shift_of_each_unit_is_students_test() -> None:
    y = np.random.default_rng(4).normal(0.3, 1, 25)
    found = shift(y)
    judge = stats.ttest_1samp(y, 0.0)
    assert found is not None
    low, high = judge.confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-4)
    assert found.p == pytest.approx(judge.pvalue, rel=0.02)


def test_rare_names_are_one() -> None:
    assert dummies(["a"] * 5 + ["b"] * 5 + ["c", "d", "e"]).shape == (13, 2)
    assert dummies(["a"] * 4).shape == (4, 0)
