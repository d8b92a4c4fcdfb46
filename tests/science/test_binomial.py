"""Tails and lower ends of shares against scipy's incomplete beta function, which shares no code with ours."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import bdtrc, betaincinv

from herdbook.pipeline.science.binomial import lower_share, tail


@given(st.integers(1, 300), st.integers(0, 300), st.floats(1e-6, 1 - 1e-6))
def test_the_tail_is_that_of_scipy(count: int, more: int, share: float) -> None:
    trials = count + more
    assert tail(count, trials, share) == pytest.approx(bdtrc(count - 1, trials, share), rel=1e-7, abs=1e-12)


@pytest.mark.parametrize(("count", "share", "chance"), [(0, 0.3, 1.0), (4, 0.3, 0.0), (2, 0.0, 0.0), (2, 1.0, 1.0)])
def test_the_ends_need_no_sum(count: int, share: float, chance: float) -> None:
    assert tail(count, 3, share) == chance


@pytest.mark.parametrize("sure", [0.9, 0.95, 0.999])
@pytest.mark.parametrize(("count", "trials"), [(1, 1), (1, 20), (3, 20), (19, 20), (41, 43)])
def test_the_lower_end_is_that_of_scipy(count: int, trials: int, sure: float) -> None:
    assert lower_share(count, trials, sure) == pytest.approx(betaincinv(count, trials - count + 1, 1 - sure), rel=1e-9)


def test_no_yes_proves_no_share_and_what_cannot_be_is_refused() -> None:
    assert lower_share(0, 5, 0.95) == 0.0
    for count, trials, sure in ((6, 5, 0.95), (1, 5, 1.0)):
        with pytest.raises(ValueError, match="lies"):
            lower_share(count, trials, sure)
