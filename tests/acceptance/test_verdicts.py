"""Pass, fail, not decided: by the chance of wrong acceptance, and never by leaving something out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from herdbook.pipeline.bench.acceptance.measure import Value, statement
from herdbook.pipeline.bench.acceptance.plan import Check
from herdbook.pipeline.bench.acceptance.verdicts import Verdict, judge, together
from herdbook.pipeline.science.conformity import Limits
from herdbook.pipeline.vehicle.signals import Series
from tests.acceptance.plans import UP_TO_TEN


def verdict(value: float, se: float | None, check: Check = UP_TO_TEN, coverage: float = 1.0, **more: object) -> Verdict:
    found = Value("", value, se, 5, coverage, dof=more.get("dof"))  # type: ignore[arg-type]
    return judge(check, found, least_coverage=0.95, in_doubt=str(more.get("in_doubt", ""))).verdict


def test_a_guard_band_stands_between_pass_and_fail() -> None:
    """5 % of a normal law lie beyond 1.645 standard errors: the band is so wide on both sides of the limit."""
    assert verdict(10 - 1.65, 1.0) is Verdict.PASSED
    assert verdict(10 - 1.64, 1.0) is Verdict.OPEN
    assert verdict(10 + 1.64, 1.0) is Verdict.OPEN
    assert verdict(10 + 1.65, 1.0) is Verdict.FAILED


def test_a_smaller_risk_is_a_wider_band() -> None:
    assert verdict(10 - 1.65, 1.0, replace(UP_TO_TEN, risk=0.001)) is Verdict.OPEN
    assert verdict(10 - 3.1, 1.0, replace(UP_TO_TEN, risk=0.001)) is Verdict.PASSED


def test_an_error_of_few_values_needs_a_wider_band() -> None:
    """Student's t with 2 degrees of freedom: 5 % lie beyond 2.920 (printed in any table)."""
    assert verdict(10 - 2.90, 1.0, dof=2) is Verdict.OPEN
    assert verdict(10 - 2.93, 1.0, dof=2) is Verdict.PASSED
    known = replace(UP_TO_TEN, error=50.0, error_why="a stated error that is far larger leaves the scatter no say")
    assert verdict(10 - 1.65 * 50.01, 1.0, known, dof=2) is Verdict.PASSED


@pytest.mark.parametrize("value", [-100.0, 100.0])
def test_without_an_error_nothing_is_decided(value: float) -> None:
    assert verdict(value, None) is Verdict.OPEN
    assert verdict(value, 0.0) is Verdict.OPEN


def test_a_stated_error_joins_the_measured_one() -> None:
    stated = replace(UP_TO_TEN, error=4.0, error_why="its calibration")
    assert verdict(10 - 1.65 * 5, 3.0, stated) is Verdict.PASSED
    assert verdict(10 - 1.64 * 5, 3.0, stated) is Verdict.OPEN
    assert verdict(10 - 1.65 * 4, None, stated) is Verdict.PASSED


def test_a_count_is_exact_by_the_plans_word() -> None:
    none_at_all = replace(UP_TO_TEN, limits=Limits(0.0, 0.0), error=0.0, error_why="counted")
    assert verdict(0.0, None, none_at_all) is Verdict.PASSED
    assert verdict(1.0, None, none_at_all) is Verdict.FAILED


def test_what_is_in_doubt_does_not_pass_but_may_fail() -> None:
    assert verdict(1.0, 0.1, in_doubt="the log is cut") is Verdict.OPEN
    assert verdict(20.0, 0.1, in_doubt="the log is cut") is Verdict.FAILED


@pytest.mark.parametrize("value", [1.0, 20.0])
def test_a_figure_of_half_its_time_decides_nothing(value: float) -> None:
    assert verdict(value, 0.1, coverage=0.5) is Verdict.OPEN


def test_an_error_larger_than_the_limits_accepts_nothing() -> None:
    both = replace(UP_TO_TEN, limits=Limits(9.0, 10.0))
    found = judge(both, Value("", 9.5, 2.0, 5, 1.0), least_coverage=0.5)
    assert (found.verdict, found.accept) == (Verdict.OPEN, None)
    assert "too large for these limits" in found.reason


def test_limits_stand_in_the_plans_unit() -> None:
    in_ohm = replace(UP_TO_TEN, limits=Limits(None, 0.01), unit="Ohm", scale=1000.0)  # one Ohm is 1000 mOhm
    found = judge(in_ohm, Value("", 5.0, 0.1, 5, 1.0), least_coverage=0.5)
    assert found.value == pytest.approx(0.005)
    assert found.verdict is Verdict.PASSED


def test_one_that_is_open_leaves_all_open_and_one_that_fails_fails_all() -> None:
    p, f, o = Verdict.PASSED, Verdict.FAILED, Verdict.OPEN
    assert [together(v) for v in ([p, p], [p, o], [p, o, f], [])] == [p, o, f, o]


def walk(memory: float, n: int, seed: int) -> np.ndarray:
    """Noise of unit spread with so much of the last reading in the next."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(size=n) * np.sqrt(1 - memory**2)
    out = np.empty(n)
    out[0] = rng.normal()
    for i in range(1, n):
        out[i] = memory * out[i - 1] + noise[i]
    return out


@pytest.mark.parametrize("memory", [0.0, 0.6, 0.9])
def test_the_error_of_a_mean_covers_noise_with_memory(memory: float) -> None:
    """200 draws of 600 readings: the true mean, 0, lies within 1.96 stated errors in 91 to 99 %."""
    hits = 0
    for seed in range(200):
        v = walk(memory, 600, seed)
        mean, se = statement("mean", Series(np.arange(v.size) * 20_000, v))
        assert mean is not None
        assert se is not None
        hits += abs(mean) <= 1.96 * se
    assert 0.91 <= hits / 200 <= 0.99


def test_a_mean_of_a_quiet_reading_has_the_error_of_its_step() -> None:
    """A reading in steps of 0.1 that says 2.0 but for once: its mean is known to 0.1 / sqrt(12), not better."""
    v = np.full(1000, 2.0)
    v[3] = 2.1
    _, se = statement("mean", Series(np.arange(1000) * 20_000, v))
    assert se == pytest.approx(0.1 / 12**0.5, rel=0.02)


def test_statements_on_a_ramp() -> None:
    """0 to 100 in 100 s: what is first and last is over ten seconds at its ends, and extremes are medians of three."""
    t = np.arange(1001) * 100_000
    series = Series(t, np.linspace(0.0, 100.0, 1001))
    found = {take: statement(take, series)[0] for take in ("first", "last", "rise", "highest", "lowest", "mean")}
    expected = {"first": 5.0, "last": 95.0, "rise": 90.0, "highest": 99.9, "lowest": 0.1, "mean": 50.0}
    assert found == pytest.approx(expected)
    assert statement("highest", series)[1] is None
