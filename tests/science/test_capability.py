"""Capability against NIST's example, scipy and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from herdbook.pipeline.science.capability import capability, noncentral_t_below, one_sided_ends
from herdbook.pipeline.science.chi_square import below, quantile


def test_the_example_of_nist() -> None:
    """NIST/SEMATECH e-Handbook, 6.1.6: limits 8 and 20, mean 16, sd 2: Cp 1.0, Cpk .6667. n = 50 (CHECKS-2, computed):
    Cp .802482 to 1.197126, Cpk .505551 to .827782."""
    found = capability(50, 16.0, 2.0, 8.0, 20.0)
    assert (found.cp, found.cpk) == pytest.approx((1.0, 2 / 3))
    assert (found.cp_low, found.cp_high) == pytest.approx((0.802482, 1.197126), abs=5e-7)
    assert (found.cpk_low, found.cpk_high) == pytest.approx((0.505551, 0.827782), abs=1e-6)
    assert found.beyond == pytest.approx(stats.norm.sf(2) + stats.norm.sf(4), rel=1e-9)


def test_the_exact_lower_end_of_one_limit() -> None:
    """CHECKS-2, computed: a measured 1.33 of 30 units shows 1.021557 at 95 %."""
    assert one_sided_ends(1.33, 30, 0.05) == pytest.approx(1.021557, abs=5e-7)
    one = capability(30, 0.0, 1.0, None, 3.99)
    assert np.isnan(one.cp)
    assert one.cpk_low == pytest.approx(one_sided_ends(1.33, 30, 0.025))


@pytest.mark.parametrize(("t", "dof", "shift"), [(1.0, 4, 0.5), (21.85, 29, 16.8), (-3.0, 9, -4.0), (2.0, 1, 1.0)])
def test_the_noncentral_t_is_that_of_scipy(t: float, dof: int, shift: float) -> None:
    assert noncentral_t_below(t, dof, shift) == pytest.approx(stats.nct.cdf(t, dof, shift), abs=2e-7)


@pytest.mark.parametrize("dof", [0.5, 1, 2, 9, 60, 5000])
@pytest.mark.parametrize("share", [0.001, 0.025, 0.5, 0.975, 0.9999])
def test_chi_square_is_that_of_scipy(dof: float, share: float) -> None:
    assert quantile(share, dof) == pytest.approx(stats.chi2.ppf(share, dof), rel=1e-9)
    assert below(1.3 * dof, dof) == pytest.approx(stats.chi2.cdf(1.3 * dof, dof), abs=1e-12)


@pytest.mark.parametrize("n", [10, 30, 100])
@pytest.mark.parametrize(("low", "high"), [(-4.0, 4.0), (-3.0, 6.0)])
def test_intervals_cover(n: int, low: float, high: float) -> None:
    """Both 95 % intervals hold in about 95 % of 2,000 lines."""
    rng = np.random.default_rng(n)
    cp = cpk = 0
    for _ in range(2000):
        y = rng.normal(0, 1, n)
        found = capability(n, float(y.mean()), float(y.std(ddof=1)), low, high)
        cp += found.cp_low <= (high - low) / 6 <= found.cp_high
        cpk += found.cpk_low <= min(high, -low) / 3 <= found.cpk_high
    assert 0.93 <= cp / 2000 <= 0.97
    assert 0.92 <= cpk / 2000 <= 0.98


@pytest.mark.parametrize("n", [10, 30])
def test_the_interval_of_one_limit_covers(n: int) -> None:
    """The true capability lies above the 2.5 % end when the chance of less than what was measured is under 97.5 %."""
    rng = np.random.default_rng(n)
    held = 0
    for _ in range(1500):
        y = rng.normal(0, 1, n)
        t = (4.0 - y.mean()) / y.std(ddof=1) * n**0.5
        held += 0.025 < noncentral_t_below(float(t), n - 1, 4.0 * n**0.5) < 0.975
    assert 0.935 <= held / 1500 <= 0.965


@pytest.mark.parametrize(
    "given", [(1, 0.0, 1.0, 0.0, 1.0), (9, 0.0, 0.0, 0.0, 1.0), (9, 0.0, 1.0, None, None), (9, 0.0, 1.0, 2.0, 1.0)]
)
def test_what_gives_no_capability_is_refused(given: tuple[int, float, float, float | None, float | None]) -> None:
    with pytest.raises(ValueError, match="a capability needs"):
        capability(*given)
