"""Probability of conformity, guard bands and global risk against figures in print, each with where it is from."""

from __future__ import annotations

from math import exp

import numpy as np
import pytest
from scipy import stats

from herdbook.pipeline.science.conformity import (
    Limits,
    acceptance,
    conforming,
    global_risk,
    normal_below,
    normal_risk,
    sampled_risk,
    student_below,
)


@pytest.mark.parametrize(
    ("value", "se", "limits", "expected"),
    [
        # JCGM 106:2012, section 7: its examples, printed there as .99, .66 and .92 (from memory), recomputed
        (509.7, 8.6, Limits(490.0, None), 0.98901),
        (13.6, 1.8, Limits(12.5, 16.3), 0.66263),
        (-5.47, 0.05, Limits(None, -5.40), 0.91924),
    ],
)
def test_probability_of_conformity(value: float, se: float, limits: Limits, expected: float) -> None:
    assert conforming(value, se, limits) == pytest.approx(expected, abs=5e-6)


def gamma_of_bearings(x: float) -> float:
    """Density of the gamma law with shape 4 and scale 0.25."""
    return x**3 * exp(-x / 0.25) / (6 * 0.25**4) if x > 0 else 0.0


def test_global_risk_of_the_ball_bearings() -> None:
    """JCGM 106 9.5.4 as the examples of suncal 1.7.1 have it: runout gamma(4, 0.25) um, limit 2, error 0.25."""
    limit = Limits(None, 2.0)
    plain = global_risk(gamma_of_bearings, (0.0, 14.0), 0.25, limit, limit)
    assert 1 - plain.conforms == pytest.approx(0.042380, abs=1e-6)
    assert plain.accepted_bad == pytest.approx(0.008019, abs=1e-6)
    assert plain.rejected_good == pytest.approx(0.017445, abs=1e-6)
    guarded = global_risk(gamma_of_bearings, (0.0, 14.0), 0.25, limit, Limits(None, 1.671829))
    assert guarded.accepted_bad == pytest.approx(0.001, abs=1e-7)


@pytest.mark.parametrize(
    ("guard", "accepted_bad", "rejected_good"),
    [(0.0, 0.018942, 0.037208), (0.04, 0.004334, 0.114657), (0.08, 0.000469, 0.247670)],
)
def test_global_risk_of_a_normal_production(guard: float, accepted_bad: float, rejected_good: float) -> None:
    """suncal 1.7.1 `PFA_norm`, `PFR_norm`: production sd 0.12, error 0.04, limits +-0.2, and two guard bands."""
    found = normal_risk(0.0, 0.12, 0.04, Limits(-0.2, 0.2), Limits(guard - 0.2, 0.2 - guard))
    assert found.conforms == pytest.approx(0.904419, abs=1e-6)
    assert found.accepted_bad == pytest.approx(accepted_bad, abs=1e-6)
    assert found.rejected_good == pytest.approx(rejected_good, abs=1e-6)


@pytest.mark.parametrize(("share", "risk"), [(0.6, 0.0483860), (0.8, 0.0285583), (0.95, 0.0087101)])
def test_global_risk_by_share_in_tolerance(share: float, risk: float) -> None:
    """suncal's tests on NCSLI RP-19: limits +-1, so many within them, the error a quarter of the production's sd."""
    sd = 1.0 / float(stats.norm.ppf(0.5 + share / 2))
    found = normal_risk(0.0, sd, sd / 4, Limits(-1.0, 1.0), Limits(-1.0, 1.0))
    assert found.conforms == pytest.approx(share, abs=1e-9)
    assert found.accepted_bad == pytest.approx(risk, abs=1e-7)


def test_global_risk_at_an_error_of_a_quarter_of_the_tolerance() -> None:
    """suncal `PFA_norm`, `PFR_norm`: two errors are a quarter of the tolerance, 95 % within it."""
    sd = 1.0 / float(stats.norm.ppf(0.975))
    found = normal_risk(0.0, sd, 0.125, Limits(-1.0, 1.0), Limits(-1.0, 1.0))
    assert found.accepted_bad == pytest.approx(0.008583, abs=1e-6)
    assert found.rejected_good == pytest.approx(0.015537, abs=1e-6)


@pytest.mark.parametrize("units", [3, 20, 60])
def test_of_few_units_the_risk_is_that_of_what_the_next_one_may_be(units: int) -> None:
    """By drawing: a unit by Student's t about the mean of so many, then its measurement."""
    limits, accept = Limits(-0.2, 0.2), Limits(-0.16, 0.16)
    found = sampled_risk(0.0, 0.12, units, 0.04, limits, accept)
    rng = np.random.default_rng(7)
    true = 0.12 * (1 + 1 / units) ** 0.5 * rng.standard_t(units - 1, 1_000_000)
    taken = np.abs(true + rng.normal(0, 0.04, true.size)) <= 0.16
    good = np.abs(true) <= 0.2
    assert found.conforms == pytest.approx(good.mean(), abs=0.002)
    assert found.accepted_bad == pytest.approx((taken & ~good).mean(), abs=0.0004)
    assert found.rejected_good == pytest.approx((~taken & good).mean(), abs=0.002)


def test_of_many_units_the_risk_is_that_of_a_normal_production() -> None:
    """The figures of suncal 1.7.1 again (`PFA_norm`, `PFR_norm`), by units enough."""
    found = sampled_risk(0.0, 0.12, 10**6, 0.04, Limits(-0.2, 0.2), Limits(-0.16, 0.16))
    assert found.accepted_bad == pytest.approx(0.004334, abs=2e-6)
    assert found.rejected_good == pytest.approx(0.114657, abs=2e-6)


def test_a_guard_band_of_two_errors() -> None:
    """JCGM 106 8.3.2: a band of two standard errors leaves 2.275 % at its edge."""
    found = acceptance(0.5, Limits(None, 10.0), 0.022750131948)
    assert found is not None
    assert found.low is None
    assert found.high == pytest.approx(9.0, abs=1e-9)
    assert 1 - normal_below(2.0) == pytest.approx(0.022750, abs=1e-6)


@pytest.mark.parametrize("dof", [None, 1, 2, 3, 5, 9, 30])
@pytest.mark.parametrize("se", [0.01, 0.2, 0.6])
def test_at_the_edge_of_the_guard_band_the_risk_is_what_was_asked_for(se: float, dof: int | None) -> None:
    limits, risk = Limits(-2.0, 3.0), 0.05
    found = acceptance(se, limits, risk, dof)
    if found is None:
        assert conforming(0.5, se, limits, dof) < 1 - risk
        return
    for edge in found.ends:
        assert 1 - conforming(edge, se, limits, dof) == pytest.approx(risk, abs=1e-9)
    assert -2.0 < found.ends[0] <= found.ends[1] < 3.0


def test_an_error_as_wide_as_the_limits_accepts_nothing() -> None:
    assert acceptance(2.0, Limits(0.0, 1.0), 0.05) is None


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 7, 12, 31, 150])
@pytest.mark.parametrize("t", [-40.0, -2.3, -0.1, 0.0, 0.7, 1.96, 12.7])
def test_students_t(t: float, dof: int) -> None:
    assert student_below(t, dof) == pytest.approx(float(stats.t.cdf(t, dof)), abs=1e-12)


def test_an_exact_count_conforms_or_does_not() -> None:
    assert conforming(0.0, 0.0, Limits(None, 0.0)) == 1.0
    assert conforming(1.0, 0.0, Limits(None, 0.0)) == 0.0


@pytest.mark.parametrize("se", [float("nan"), float("inf"), -1.0])
def test_an_error_that_is_none_decides_nothing(se: float) -> None:
    with pytest.raises(ValueError, match="decides nothing"):
        conforming(1.0, se, Limits(0.0, 2.0))
