"""Student's law and the comparison of two levels against scipy, by Monte Carlo and by hand."""

from __future__ import annotations

from math import nan

import numpy as np
import pytest
from scipy import special, stats

from herdbook.pipeline.science.student import incomplete_beta, quantile, two_sided
from herdbook.pipeline.science.two_levels import difference, more_needed

NONE = np.array([nan, nan, nan])


@pytest.mark.parametrize("dof", [0.5, 1.0, 1.7, 2.0, 5.0, 30.0, 1000.0])
def test_tails_and_quantiles_are_those_of_scipy(dof: float) -> None:
    for t in (0.0, 0.01, 0.5, 1.0, 2.0, 6.0, -3.0, 40.0):
        assert two_sided(t, dof) == pytest.approx(2 * stats.t.sf(abs(t), dof), rel=1e-9, abs=1e-14)
    for sure in (0.5, 0.95, 0.999):
        assert quantile(sure, dof) == pytest.approx(stats.t.ppf(0.5 + sure / 2, dof), rel=1e-9)


@pytest.mark.parametrize(("a", "b"), [(0.5, 0.5), (1.0, 3.0), (40.0, 0.5), (2.5, 90.0)])
def test_the_incomplete_beta_function_is_that_of_scipy(a: float, b: float) -> None:
    for x in (0.0, 1e-6, 0.2, 0.5, 0.97, 1.0):
        assert incomplete_beta(x, a, b) == pytest.approx(special.betainc(a, b, x), rel=1e-10, abs=1e-300)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="degrees of freedom"):
        two_sided(1.0, 0.0)
    with pytest.raises(ValueError, match="between 0 and 1"):
        quantile(1.0, 3.0)


def test_without_own_errors_it_is_welch_and_with_few_it_is_student() -> None:
    rng = np.random.default_rng(1)
    for n, m, alike in ((9, 14, False), (12, 12, False), (2, 14, True), (14, 1, True)):
        a, b = rng.normal(0, 1, n), rng.normal(0.4, 3, m)
        mine = difference(a, np.full(n, nan), b, np.full(m, nan))
        assert mine is not None
        if m > 1:
            theirs = stats.ttest_ind(b, a, equal_var=alike)
            low, high = theirs.confidence_interval(0.95)
            assert mine.p == pytest.approx(max(theirs.pvalue, 1 / special.comb(n + m, n)), rel=1e-8)
            assert mine.low == pytest.approx(low)
            assert mine.high == pytest.approx(high)
        assert mine.rise == pytest.approx(b.mean() - a.mean())


@pytest.mark.parametrize(
    ("n", "m", "scatter", "times"),
    [(1, 4, 1.0, 1.0), (2, 2, 1.0, 1.0), (3, 8, 1.0, 2.0), (8, 3, 1.0, 3.0), (20, 10, 0.5, 1.0), (3, 3, 0.0, 1.0)],
)
@pytest.mark.parametrize("told", [True, False])
def test_intervals_cover_as_often_as_they_say(n: int, m: int, scatter: float, times: float, told: bool) -> None:
    """300 draws of values with unequal own errors and a scatter between sessions, which may be larger on one side; 90 %
    is four standard errors of such a count under 95 %. Own errors are not undercut: more than 95 % is no fault."""
    rng, held = np.random.default_rng(n * 100 + m), 0
    for _ in range(300):
        own, own_b = rng.uniform(0.3, 1.5, n), rng.uniform(0.3, 1.5, m)
        a, b = rng.normal(0, np.hypot(own, scatter)), rng.normal(0, np.hypot(own_b, scatter * times))
        if not told:
            a, b = rng.normal(0, 1, n), rng.normal(0, times, m)
            own, own_b = np.full(n, nan), np.full(m, nan)
        found = difference(a, own, b, own_b)
        assert found is not None
        assert found.low is not None
        assert found.high is not None
        held += found.low <= 0 <= found.high
    assert held / 300 >= 0.90


def test_one_session_on_either_side_says_nothing_and_none_says_nothing() -> None:
    one = np.array([1.0])
    assert difference(one, one, np.array([9.0]), one) is None
    assert difference(np.empty(0), np.empty(0), NONE, NONE) is None


def test_readings_that_agree_by_the_steps_of_their_sensor_prove_little() -> None:
    """0.4, 0.4, 0.4 and then 0.6: one of four ways to deal them out. Never more certain than that."""
    found = difference(np.array([0.4, 0.4, 0.4]), NONE, np.array([0.6]), np.array([nan]))
    assert found is not None
    assert found.p == pytest.approx(0.25)
    assert found.low is not None
    assert found.low < 0 < found.rise
    flat = difference(np.array([5.0, 5.0, 5.0]), NONE, np.array([6.0]), np.array([nan]))
    assert flat is not None
    assert flat.p == pytest.approx(0.25)
    assert flat.low is not None
    assert flat.low < 0
    nearly = difference(np.array([0.4, 0.4, 0.4000001]), NONE, np.array([0.6]), np.array([nan]))
    assert nearly is not None
    assert nearly.p == pytest.approx(0.25, rel=1e-6)
    assert nearly.low is not None
    assert nearly.low < 0 < nearly.rise
    alike = difference(np.array([5.0, 5.0]), NONE[:2], np.array([5.0]), NONE[:1])
    assert alike is not None
    assert (alike.rise, alike.p, alike.low) == (0.0, 1.0, None)


def test_own_errors_are_never_undercut() -> None:
    found = difference(np.array([1.0, 1.0, 1.0]), np.ones(3), np.array([1.1, 1.1, 1.1]), np.ones(3))
    assert found is not None
    assert found.se == pytest.approx(np.sqrt(2 / 3))


def test_how_many_more_sessions_make_it_sure() -> None:
    rng = np.random.default_rng(5)
    a, b = rng.normal(0, 1, 12), rng.normal(1.0, 1, 4)
    errors = np.full(12, nan)
    more = more_needed(a, errors, b, errors[:4], 0.05)
    assert more is not None
    assert more > 0
    filled = np.concatenate([b, b.mean() + b.std(ddof=1) * np.tile([-1, 1], more)])[: 4 + more + more % 2]
    then = difference(a, errors, filled, np.full(filled.size, nan))
    assert then is not None
    assert then.p < 0.1  # about there: the scatter of what is to come is a guess
    assert more_needed(a, errors, a[:4] + 1e-3, errors[:4], 0.05) is None  # as good as no difference
    assert more_needed(a, errors, a + 50, errors, 0.05) == 0
