"""Tails and upper ends of rare counts against scipy's incomplete gamma function, which shares no code with ours."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import gammaincinv, pdtrc

from herdbook.pipeline.science.poisson import lower_mean, tail, upper_mean


@given(st.integers(1, 300), st.floats(1e-6, 300))
def test_the_tail_is_that_of_scipy(count: int, mean: float) -> None:
    assert tail(count, mean) == pytest.approx(pdtrc(count - 1, mean), rel=1e-9, abs=1e-13)


def test_nothing_or_more_is_certain_and_something_of_nothing_is_not_to_be_had() -> None:
    assert tail(0, 3.0) == tail(0, 0.0) == 1.0
    assert tail(1, 0.0) == 0.0


@pytest.mark.parametrize("sure", [0.7, 0.95, 0.999])
@pytest.mark.parametrize("count", [0, 1, 2, 7, 40, 500])
def test_the_upper_end_is_that_of_scipy(count: int, sure: float) -> None:
    assert upper_mean(count, sure) == pytest.approx(gammaincinv(count + 1, sure), rel=1e-12)


@pytest.mark.parametrize("sure", [0.5, 1.0])
def test_a_certainty_this_way_cannot_reach_is_refused(sure: float) -> None:
    with pytest.raises(ValueError, match=r"0\.7"):
        upper_mean(0, sure)


@pytest.mark.parametrize("sure", [0.9, 0.95, 0.999])
@pytest.mark.parametrize("count", [1, 2, 7, 40])
def test_the_lower_end_is_that_of_scipy(count: int, sure: float) -> None:
    assert lower_mean(count, sure) == pytest.approx(gammaincinv(count, 1 - sure), rel=1e-9)


def test_nothing_seen_proves_no_mean_and_a_sure_of_one_is_refused() -> None:
    assert lower_mean(0, 0.95) == 0.0
    with pytest.raises(ValueError, match="between"):
        lower_mean(2, 1.0)
