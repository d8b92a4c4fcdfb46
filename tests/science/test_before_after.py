"""Differences of differences: Welch's comparison as scipy has it where all share a date; minimum wages and jobs in two
states as D. Card and A. Krueger print them (Am. Econ. Rev. 84 (1994) 772, table 3: 2.76 with an error of 1.36, from
memory); and how often an interval holds the truth, with values that hang together and many dates.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.before_after import effect, two_sided


def test_with_one_date_it_is_welchs_comparison() -> None:
    draw = np.random.default_rng(1)
    a, b = draw.normal(1, 2, 14), draw.normal(0, 1, 30)
    found = effect(a, np.zeros(14, dtype=np.int64), b[None, :])
    assert found is not None
    judge = stats.ttest_ind(a, b, equal_var=False)
    low, high = judge.confidence_interval(0.95)
    assert found.effect == pytest.approx(a.mean() - b.mean())
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-4)
    assert found.p == pytest.approx(judge.pvalue, rel=0.02)


@pytest.mark.parametrize("dof", [1.0, 3.0, 10.0, 60.0])
def test_chances_are_those_of_student(dof: float) -> None:
    for t in (0.5, 1.5, 3.0):
        assert two_sided(t, dof) == pytest.approx(2 * stats.t.sf(t, dof), rel=0.06)


def test_jobs_in_two_states() -> None:
    """Mean jobs fell in Pennsylvania from 23.33 to 21.17 and rose in New Jersey from 20.44 to 21.03: 2.75 by these."""
    jersey = np.array([0.59, 0.59])
    found = effect(jersey, np.zeros(2, dtype=np.int64), np.array([[-2.16, -2.16]]))
    assert found is not None
    assert found.effect == pytest.approx(2.76, abs=0.02)


def test_the_interval_holds_the_truth_with_many_dates_and_values_that_hang_together() -> None:
    """Units with a random walk each, treated on one of six dates, a drift common to all that bends: truth -1."""
    draw, held, runs = np.random.default_rng(2), 0, 600
    for _ in range(runs):
        days, units, treated = 120, 30, 12
        common = np.cumsum(draw.normal(0.02, 0.1, days))
        y = common + np.cumsum(draw.normal(0, 0.15, (units, days)), axis=1) + draw.normal(0, 0.5, (units, days))
        date = draw.integers(0, 6, treated)
        at = 40 + 8 * np.arange(6)
        y[:treated] -= (np.arange(days)[None, :] >= at[date][:, None]).astype(float)

        def change(rows: NDArray[np.float64], day: int) -> Floats:
            return np.asarray(rows[:, day : day + 20].mean(axis=1) - rows[:, day - 20 : day].mean(axis=1))

        own = np.array([change(y[[i]], int(at[d]))[0] for i, d in enumerate(date)])
        found = effect(own, date, np.array([change(y[treated:], int(day)) for day in at]))
        assert found is not None
        held += found.low <= -1 <= found.high
    assert 0.93 <= held / runs <= 0.98, held / runs


def test_without_two_of_either_nothing_is_said() -> None:
    assert effect(np.array([1.0]), np.zeros(1, dtype=np.int64), np.ones((1, 5))) is None
    assert effect(np.ones(5), np.zeros(5, dtype=np.int64), np.ones((1, 1))) is None
    assert effect(np.ones(5), np.zeros(5, dtype=np.int64), np.full((1, 5), np.nan)) is None
