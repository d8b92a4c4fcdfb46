"""Counts and comparisons against printed results: R's poisson.test and mantelhaen.test (help pages), Benjamini and
Hochberg's own example (1995, 3.2), Nelson's valve seats (Technometrics 37 (1995) 147), exact Poisson ends.
"""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.science.recurrence import mean_cumulative
from herdbook.pipeline.science.strata import (
    exact_rate_ratio,
    false_discovery,
    odds_ratio,
    rate_interval,
    rate_ratio,
)

# Admissions to Berkeley 1973, six departments: men admitted and rejected, women admitted and rejected.
BERKELEY = [[512, 353, 120, 138, 53, 22], [313, 207, 205, 279, 138, 351], [89, 17, 202, 131, 94, 24]]
BERKELEY += [[19, 8, 391, 244, 299, 317]]
P = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.324, 0.4262, 0.5719, 0.6528, 0.759, 1]
SEATS = """761 759 98,667 326,653,653,667 665 84,667 87,663 646,653 92,653 651 258,328,377,621,650 61,539,648
254,276,298,640,644 76,538,642 635,641 349,404,561,649 631 596 120,479,614 323,449,582 139,139,589 593 573,589
165,408,604,606 249,594 344,497,613 265,586,595 166,206,348,389 601 410,581,601 611 608 587 367,603 202,563,570,585
587 578 578 586 585 582"""  # days of repairs, then the end of watch, of 41 engines


def test_two_rates_as_r_has_them() -> None:
    found = exact_rate_ratio(11, 800, 21, 3011)
    assert found.ratio == pytest.approx(1.971488, abs=1e-6)
    assert found.p == pytest.approx(0.0796686, abs=1e-7)
    assert found.low == pytest.approx(0.858426, abs=1e-6)
    assert found.high == pytest.approx(4.277266, abs=1e-6)


@pytest.mark.parametrize(
    ("count", "low", "high"), [(0, 0, 3.688879), (3, 0.618672, 8.767273), (10, 4.795389, 18.390356)]
)
def test_exact_ends_of_a_count(count: int, low: float, high: float) -> None:
    assert rate_interval(count, 1.0) == pytest.approx((low, high), abs=1e-6)


def test_within_departments_nobody_was_favoured() -> None:
    """Simpson's trap: admitted against rejected is 1.84 to 1 for men over all, 0.90 to 1 within departments."""
    counts = [np.array(row, dtype=float) for row in BERKELEY]
    crude = counts[0].sum() * counts[3].sum() / (counts[1].sum() * counts[2].sum())
    found = odds_ratio(*counts)
    assert found is not None
    assert crude == pytest.approx(1.841080, abs=1e-6)
    assert (found.ratio, found.low, found.high) == pytest.approx((0.904697, 0.771907, 1.060330), abs=1e-6)
    assert found.p == pytest.approx(0.21692, abs=1e-5)  # chi-squared 1.524606 without correction


def test_a_route_is_not_taken_for_a_batch() -> None:
    """Both batches fail alike on each route; one is ridden on the hard one and fails far more often over all."""
    found = rate_ratio(*(np.array(x, dtype=float) for x in ([9, 90], [900, 1000], [90, 9], [9000, 100])))
    assert found is not None
    assert found.ratio == pytest.approx(1.0)
    assert found.p == pytest.approx(1.0)


def test_a_true_ratio_within_strata_is_held_as_often_as_said() -> None:
    draw = np.random.default_rng(5)
    exposure, other, base = np.array([900.0, 300, 100]), np.array([200.0, 500, 800]), np.array([0.02, 0.05, 0.1])
    held, runs = 0, 1000
    for _ in range(runs):
        found = rate_ratio(draw.poisson(2 * base * exposure), exposure, draw.poisson(base * other), other)
        assert found is not None
        held += bool(found.low <= 2 <= found.high)
    assert 0.93 < held / runs < 0.97, held / runs


def test_false_discovery_as_its_authors_print_it() -> None:
    p = np.array(P)
    assert int(np.sum(false_discovery(p) <= 0.05)) == 4
    assert int(np.sum(false_discovery(p, dependent=True) <= 0.05)) == 3
    assert false_discovery(p)[3] == pytest.approx(0.035625, abs=1e-6)
    assert false_discovery(p, dependent=True)[3] == pytest.approx(0.11821, abs=1e-5)


def test_repairs_of_valve_seats() -> None:
    units = [[float(day) for day in unit.split(",")] for unit in SEATS.split()]
    ends = np.array([unit[-1] for unit in units])
    found = mean_cumulative(np.zeros(41), ends, [np.array(unit[:-1]) for unit in units])
    at = {int(t): i for i, t in enumerate(found.times)}
    printed = {61: 0.024390, 92: 0.121951, 328: 0.536585, 653: 1.542688}
    assert {t: found.mean[at[t]] for t in printed} == pytest.approx(printed, abs=1e-6)
    errors = {61: 0.024091, 76: 0.033641, 84: 0.040670, 653: 0.311656}  # robust; computed by two routes
    assert {t: found.se[at[t]] for t in errors} == pytest.approx(errors, abs=1e-6)


def test_nothing_in_common_is_no_comparison() -> None:
    one, none = np.array([3.0, 0.0]), np.array([0.0, 0.0])
    assert rate_ratio(one, np.array([5.0, 0.0]), none, np.array([0.0, 5.0])) is None
    assert odds_ratio(none, one, none, one) is None
