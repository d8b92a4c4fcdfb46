"""Ranks among peers: their law, whatever the figures' law; coverage as Beta(k, n + 1 - k) has it (exact, V. Vovk, Proc.
Mach. Learn. Res. 25 (2012) 475): n 99 at 90 %: mean 0.9, sd 0.029851, 5 to 95 % 0.846725 to 0.944168.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from herdbook.pipeline.science.conformal import among, places


def test_places_are_whole_numbers() -> None:
    assert [places(n, 1, 10) for n in (8, 9, 98, 99, 100, 999)] == [0, 1, 9, 10, 10, 100]
    assert int((1 - 0.9) * 100) == 9  # why


@pytest.mark.parametrize(("n", "mean", "sd"), [(99, 0.9, 0.029851), (1000, 0.9001, 0.009473)])
def test_coverage_given_the_peers_has_the_law_it_must(n: int, mean: float, sd: float) -> None:
    """Without covariates the range is between order statistics k and n + 1 - k: its true content is a Beta variable."""
    draw, none = np.random.default_rng(1), np.empty((n, 0))
    content = []
    for _ in range(400):
        values = draw.exponential(size=n)
        found = among(1.0, np.empty(0), values, none)
        assert found is not None
        content.append(float(np.exp(-found.low) - np.exp(-found.high)))
    k = places(n, 1, 20)
    law = stats.beta(n + 1 - 2 * k, 2 * k)
    assert law.mean() == pytest.approx(mean, abs=2e-3)
    assert law.std() == pytest.approx(sd, rel=0.02)
    assert np.mean(content) == pytest.approx(law.mean(), abs=4 * law.std() / 20)
    assert np.std(content) == pytest.approx(law.std(), rel=0.15)
    assert stats.kstest(content, law.cdf).pvalue > 0.001


def test_ranks_are_even_with_covariates_and_a_wrong_regression() -> None:
    """A bent law with skew noise, fitted straight: p is uniform all the same, and the range holds in 90 % and more."""
    draw, p, held = np.random.default_rng(2), [], 0
    for _ in range(1500):
        about = draw.uniform(0, 3, (40, 2))
        y = about[:, 0] ** 3 + draw.gamma(1.0, 2.0, 40)
        found = among(float(y[0]), about[0], y[1:], about[1:])
        assert found is not None
        p.append(found.p)
        held += found.low <= y[0] <= found.high
    assert held / 1500 == pytest.approx(1 - 2 * places(39, 1, 20) / 40, abs=0.025)
    for level in (0.05, 0.1, 0.2, 0.5):
        assert np.mean(np.array(p) <= level) <= level + 0.025


def test_age_explains_what_age_does() -> None:
    """An old unit among young ones: higher than all of them, and as it should be for its age."""
    draw = np.random.default_rng(3)
    age = draw.uniform(0, 500, 60)
    y = 4 + 0.004 * age + draw.normal(0, 0.05, 60)
    plain = among(6.0, np.empty(0), y, np.empty((60, 0)))
    aged = among(6.0, np.array([500.0]), y, age[:, None])
    assert plain is not None
    assert aged is not None
    assert plain.lower >= 58
    assert 15 < aged.percent < 85
    assert aged.low < 6.0 < aged.high


def test_a_unit_without_peers_is_not_ranked() -> None:
    assert among(1.0, np.array([1.0]), np.array([1.0, 2, 3]), np.ones((3, 1))) is None
    age = np.linspace(0, 10, 20)
    assert among(1.0, np.array([1e6]), age, age[:, None]) is None


def test_equal_figures_are_neither_lower_nor_higher() -> None:
    found = among(2.0, np.empty(0), np.array([1.0, 2, 2, 3, 3]), np.empty((5, 0)))
    assert found is not None
    assert (found.lower, found.higher, found.n) == (1, 2, 5)
