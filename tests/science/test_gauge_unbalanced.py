"""Repeatability of tests that are not all as many: equal cells, closed forms, least squares, simulation."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.gauge import crossed
from herdbook.pipeline.science.gauge_unbalanced import Indices, squares_of, unbalanced
from tests.science.test_gauge import MSA

Study = tuple[Floats, Indices, Indices]


def flat(y: Floats) -> Study:
    n, m, r = y.shape
    return y.ravel(), np.repeat(np.arange(n), m * r), np.tile(np.repeat(np.arange(m), r), n)


def thinned(y: Floats, share: float, seed: int = 3) -> Study:
    """A part of the tests, at random; every unit and person keeps its first."""
    values, unit, person = flat(y)
    kept = np.random.default_rng(seed).random(values.size) < share
    kept[np.unique(unit, return_index=True)[1]] = True
    return values[kept], unit[kept], person[kept]


@pytest.mark.parametrize("y", [MSA, MSA[:, :, :2] + 0.3 * (np.arange(30).reshape(10, 3, 1) % 7)])
def test_equal_cells_give_what_the_crossed_analysis_gives(y: Floats) -> None:
    """The worked example of the trade (CHECKS-2), and one whose interaction is kept; values and intervals."""
    one, two = crossed(y, 4.0), unbalanced(*flat(y), 4.0)
    for name in ("repeatability", "reproducibility", "gauge", "between_units", "share", "to_tolerance"):
        a, b = getattr(one, name), getattr(two, name)
        assert (b.value, b.low, b.high) == pytest.approx((a.value, a.low, a.high), rel=1e-9), name
    assert two.interaction_p == pytest.approx(one.interaction_p)
    assert two.categories == one.categories


def test_one_person_is_the_one_way_table_of_textbooks() -> None:
    """By hand: groups of 2, 3 and 4: n0 = (9 - 29/9) / 2 = 26/9; between = (MSA - MSE) / n0."""
    groups = [np.array([4.0, 6.0]), np.array([8.0, 9.0, 10.0]), np.array([1.0, 2.0, 3.0, 2.0])]
    values = np.concatenate(groups)
    unit = np.repeat(np.arange(3), [2, 3, 4])
    found = unbalanced(values, unit, np.zeros(9, dtype=np.intp))
    within = (2.0 + 2.0 + 2.0) / 6
    mean = 45 / 9
    among = (2 * (5 - mean) ** 2 + 3 * (9 - mean) ** 2 + 4 * (2 - mean) ** 2) / 2
    assert found.repeatability.value == pytest.approx(within)
    assert found.between_units.value == pytest.approx((among - within) / (26 / 9))
    assert np.isnan(found.reproducibility.value)


def test_the_sums_of_squares_are_those_of_least_squares_over_every_test() -> None:
    """By another route: residuals of four regressions on the single tests, by numpy's least squares."""
    values, unit, person = thinned(MSA, 0.7)
    of_unit, of_person = (np.equal.outer(x, np.unique(x)).astype(float) for x in (unit, person))
    of_cell = np.equal.outer(10 * unit + person, np.unique(10 * unit + person)).astype(float)

    def left(x: Floats) -> float:
        return float(((values - x @ np.linalg.lstsq(x, values, rcond=None)[0]) ** 2).sum())

    both = left(np.hstack([of_unit, of_person]))
    found = squares_of(values, unit, person)
    expected = (left(of_person) - both, left(of_unit) - both, both - left(of_cell), left(of_cell))
    assert found.sums == pytest.approx(expected)


def test_on_average_the_variances_are_true() -> None:
    """600 thinned studies with sd 1, .3, .4 and .2: what the four sums give, nothing cut at nought and nothing joined,
    is right on average, within three standard errors."""
    rng = np.random.default_rng(11)
    seen = []
    for k in range(600):
        y = rng.normal(0, 1, (10, 1, 1)) + rng.normal(0, 0.3, (1, 5, 1)) + rng.normal(0, 0.4, (10, 5, 1))
        found = squares_of(*thinned(y + rng.normal(0, 0.2, (10, 5, 3)), 0.6, seed=k))
        rest = found.sums[3] / found.dofs[3]
        both = (found.sums[2] - found.dofs[2] * rest) / found.shared[2]
        own = [(found.sums[i] - found.dofs[i] * rest - found.shared[i] * both) / found.own[i] for i in (0, 1)]
        seen.append([*own, both, rest])
    mean, error = np.mean(seen, axis=0), np.std(seen, axis=0) / 600**0.5
    assert (np.abs(mean - [1.0, 0.09, 0.16, 0.04]) < 3 * error).all()


def test_intervals_cover() -> None:
    """Of the gauge and its share, 95 %, in 300 thinned studies: they hold in 90 to 99.2 %."""
    rng = np.random.default_rng(12)
    gauge = share = 0
    for k in range(300):
        y = rng.normal(0, 1, (10, 1, 1)) + rng.normal(0, 0.3, (1, 5, 1)) + rng.normal(0, 0.2, (10, 5, 3))
        found = unbalanced(*thinned(y, 0.6, seed=k))
        gauge += found.gauge.low <= 0.13 <= found.gauge.high
        share += found.share.low <= (0.13 / 1.13) ** 0.5 <= found.share.high
    assert 0.90 <= gauge / 300 <= 0.992
    assert 0.90 <= share / 300 <= 0.992


def test_persons_who_tested_no_unit_in_common_tell_nothing_of_persons() -> None:
    unit = np.repeat(np.arange(4), 2)
    found = unbalanced(np.array([1.0, 1.1, 2.0, 2.1, 3.0, 3.1, 4.0, 4.2]), unit, unit // 2)
    assert np.isnan(found.reproducibility.value)
    assert found.repeatability.value == pytest.approx((3 * 0.005 + 0.02) / 4)


def test_what_is_no_study_is_refused() -> None:
    with pytest.raises(ValueError, match="repeated test"):
        unbalanced(np.arange(3.0), np.arange(3), np.zeros(3, dtype=np.intp))
    with pytest.raises(ValueError, match="two units of one person"):
        unbalanced(np.arange(4.0), np.arange(4) // 2, np.arange(4) // 2)
