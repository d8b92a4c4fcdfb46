"""Figures over a few values, worked by hand or from published tables."""

from __future__ import annotations

import math

import polars as pl
import pytest

from herdbook.pipeline.health.statistics import at_least, confidence, largest, mean, middle, worth_acting

GAPS = pl.Series([4.0, None, 1.0, math.nan, 2.0, 100.0, 3.0])


def test_a_middle_does_not_mind_one_odd_value() -> None:
    """Median 3, deviations 2 1 0 1 97: their median is 1."""
    found = middle(GAPS)
    assert (found.value, found.n) == (3.0, 5)
    assert found.spread == pytest.approx(1.4826)
    assert found.se == pytest.approx(2.77645 / 1.959964 * 1.206 * 1.2533 * 1.4826 / math.sqrt(5))
    assert middle(GAPS, least_se=2.0).se == 2.0


def test_a_middle_of_nothing_is_not_known() -> None:
    found = middle(pl.Series([None, math.nan], dtype=pl.Float64))
    assert found.n == 0
    assert math.isnan(found.value)
    assert math.isnan(found.se)


def test_mean_and_largest_leave_out_what_is_not_known() -> None:
    assert mean(GAPS) == 22.0
    assert largest(GAPS) == 100.0
    nothing = pl.Series([None], dtype=pl.Float64)
    assert math.isnan(mean(nothing))
    assert math.isnan(largest(nothing))


@pytest.mark.parametrize(
    ("measured", "se", "sure"),
    [  # the normal law at 0, 1, 1.645 and 2 standard errors, on either side
        (5.0, 1.0, 0.5),
        (6.0, 1.0, 0.8413),
        (4.0, 1.0, 0.8413),
        (5.8225, 0.5, 0.95),
        (7.0, 1.0, 0.9772),
        (9.0, 1.0, 0.999),  # a model is never certain
        (9.0, None, 0.999),
        (9.0, 0.0, 0.999),
        (9.0, math.inf, 0.999),
    ],
)
def test_confidence_is_the_chance_to_lie_beyond_the_limit(measured: float, se: float | None, sure: float) -> None:
    assert confidence(measured, 5.0, se) == pytest.approx(sure, abs=5e-5)


@pytest.mark.parametrize(
    ("events", "trials", "least"),
    [  # 4 of 20: the e-Handbook's own example (7.2.4.1), two-sided 95 %; the others from the formula by hand
        (4, 20, 0.0807),
        (8, 10, 0.4902),
        (10, 10, 0.7225),
        (0, 10, 0.0),
        (0, 0, 0.0),
    ],
)
def test_what_some_of_many_prove_at_least(events: int, trials: int, least: float) -> None:
    assert at_least(events, trials) == pytest.approx(least, abs=5e-5)


@pytest.mark.parametrize(
    ("value", "se", "acts"),
    [
        (7.5, 0.5, True),  # surely real, and just of the size
        (7.2, 0.5, True),  # within its error of the size
        (6.5, 0.1, False),  # real, and surely smaller
        (9.0, 2.0, False),  # large, and not surely there
        (12.0, 1.7, True),
    ],
)
def test_a_fault_is_acted_on_when_it_is_real_and_as_large(value: float, se: float, acts: bool) -> None:
    """By 4 errors beyond 5, and past 7.5 within one."""
    assert worth_acting(value, se, look=5.0, act=7.5, z=4.0) is acts
