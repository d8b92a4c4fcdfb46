"""Control charts: run lengths against printed ones and simulation, constants, signals where a shift is put in."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science import control_charts as cc
from herdbook.pipeline.science.normal_samples import c4, d2, d2_of, d3, normality

SHIFTS = (0.0, 0.5, 1.0, 2.0)


def test_run_lengths_that_are_printed() -> None:
    """Lucas and Crosier 1982 (CUSUM), Lucas and Saccucci 1990 (EWMA), two-sided from nought (CHECKS-2, two routes)."""
    shewhart = [cc.shewhart_run_length(s) for s in SHIFTS]
    assert shewhart == pytest.approx([370.40, 155.22, 43.89, 6.30], abs=0.006)
    five = [cc.cusum_run_length(s, 0.5, 5.0) for s in SHIFTS]
    four = [cc.cusum_run_length(s, 0.5, 4.0) for s in SHIFTS]
    assert five == pytest.approx([465.44, 38.00, 10.38, 4.01], abs=0.006)
    assert four == pytest.approx([167.68, 26.63, 8.38, 3.34], abs=0.006)
    slow = [cc.ewma_run_length(s, 0.1, 2.814) for s in SHIFTS]
    quick = [cc.ewma_run_length(s, 0.2, 2.962) for s in SHIFTS]
    assert slow == pytest.approx([499.58, 31.30, 10.33, 4.36], abs=0.006)
    assert quick == pytest.approx([499.74, 41.76, 10.54, 3.74], abs=0.006)


def test_a_limit_of_2_7_is_not_500() -> None:
    """The trap of CHECKS-2: at a weight of 0.1 it gives 368.99."""
    assert cc.ewma_run_length(0.0, 0.1, 2.7) == pytest.approx(368.99, abs=0.006)


@pytest.mark.parametrize(
    ("n", "is_"),
    [
        (5, {"d2": 2.32593, "d3": 0.86408, "c4": 0.939986, "A2": 0.5768, "D4": 2.1145}),
        (2, {"d2": 1.12838, "A2": 1.8800, "D4": 3.2665}),
    ],
)
def test_constants_of_shewhart(n: int, is_: dict[str, float]) -> None:
    """CHECKS-2 (integral; published D4 of two 3.267)."""
    ours = {"d2": d2(n), "d3": d3(n), "c4": c4(n), "A2": 3 / (d2(n) * n**0.5), "D4": 1 + 3 * d3(n) / d2(n)}
    assert {k: ours[k] for k in is_} == pytest.approx(is_, abs=6e-5)


def test_constants_of_few_samples() -> None:
    """Duncan's table, from memory: two-decimal-honest values 1.91 for one sample of three and 3.18 for one of ten."""
    assert (round(d2_of(3, 1), 2), round(d2_of(10, 1), 2)) == (1.91, 3.18)
    assert d2_of(3, 30) == d2(3)


@pytest.mark.parametrize("shift", [0.5, 1.0, 2.0])
def test_the_charts_signal_as_late_as_they_say(shift: float) -> None:
    """600 lines that are off from the first value on: the mean number of values to a signal, within four errors. The
    EWMA's limit is narrower at the start than in the long run, so it is a little quicker than said, never slower."""
    rng = np.random.default_rng(int(10 * shift))
    about = cc.Baseline(0.0, 1.0, 10**6)
    runs: dict[str, list[int]] = {"shewhart": [], "ewma": [], "cusum": []}
    for _ in range(600):
        found = cc.charts(rng.normal(shift, 1, 2500), about).first
        for name, at in found.items():
            assert at is not None
            runs[name].append(at + 1)
    said = {"shewhart": cc.shewhart_run_length(shift), "cusum": cc.cusum_run_length(shift)}
    for name, length in said.items():
        seen = np.array(runs[name])
        assert abs(seen.mean() - length) < 4 * seen.std() / 600**0.5, name
    ewma = np.array(runs["ewma"])
    assert ewma.mean() < cc.ewma_run_length(shift) + 4 * ewma.std() / 600**0.5


def test_how_often_a_steady_line_is_called_not_steady() -> None:
    """A p below 0.05 of one steady line in twenty (here 600, so 3 to 7.5 %), though half of them signal; a shift by one
    and a half sd after the baseline is found in nine of ten."""
    rng = np.random.default_rng(12)

    def p_of(values: Floats) -> float:
        about = cc.baseline(values[:30])
        return cc.by_chance(cc.charts(values, about), about)

    steady = np.array([p_of(rng.normal(5, 0.3, 130)) for _ in range(600)])
    assert 0.03 < (steady < 0.05).mean() < 0.075
    shifted = [p_of(rng.normal(0, 1, 130) + 1.5 * (np.arange(130) >= 60)) for _ in range(60)]
    assert (np.array(shifted) < 0.05).mean() > 0.9


def test_holm_by_hand() -> None:
    """The least times three, the next times two, never falling; S. Holm, Scand. J. Statist. 6 (1979) 65."""
    assert cc.holm([0.04, 0.01, 0.03]) == pytest.approx([0.06, 0.03, 0.06])
    assert cc.holm([0.9, 0.8]) == [1.0, 1.0]
    assert cc.holm([0.04, np.nan, 0.01]) == pytest.approx([0.04, np.nan, 0.02], nan_ok=True)


def test_a_shift_is_dated() -> None:
    rng = np.random.default_rng(3)
    values = np.concatenate([rng.normal(5, 0.1, 60), rng.normal(5.2, 0.1, 30)])
    found = cc.charts(values, cc.baseline(values[:40]))
    at = found.first["cusum"]
    assert at is not None
    assert 60 <= at <= 70
    assert abs(found.began(at) - 60) <= 4
    assert not found.shewhart_out[:60].any()


def test_a_drifting_baseline_does_not_widen_the_limits() -> None:
    values = np.arange(40) * 0.1 + np.tile([-0.05, 0.05], 20)
    assert cc.baseline(values).sd < 0.2 * values.std(ddof=1)


def test_neighbours_that_follow_each_other_are_noticed() -> None:
    rng = np.random.default_rng(2)
    noise = rng.normal(0, 1, 400)
    walk = np.zeros(400)
    for i in range(1, 400):
        walk[i] = 0.6 * walk[i - 1] + noise[i]
    assert cc.autocorrelation(walk) == pytest.approx(0.6, abs=0.1)
    assert abs(cc.autocorrelation(noise)) < 0.1
    assert np.isnan(cc.autocorrelation(np.ones(9)))


def test_no_chart_without_spread() -> None:
    with pytest.raises(ValueError, match="alike"):
        cc.charts(np.ones(5), cc.baseline(np.ones(5)))


def test_the_test_of_a_normal_law() -> None:
    """The statistic's table in scipy: at its 5 % value p is 0.05; samples from a normal law are below 0.05 one time in
    twenty; an exponential one is found out."""
    rng = np.random.default_rng(5)
    p = np.array([normality(rng.normal(3, 2, 40)) for _ in range(1500)])
    assert 0.035 < (p < 0.05).mean() < 0.065
    assert 0.008 < (p < 0.01).mean() + 0.004 < 0.022
    assert normality(rng.exponential(1, 60)) < 0.01
    assert np.isnan(normality(np.ones(20)))
    y = rng.normal(0, 1, 50)
    anderson: Any = stats.anderson
    found = anderson(y, "norm", method="interpolate")
    assert 0.0 < normality(y) <= 1.0
    assert (normality(y) > 0.15) == (found.pvalue >= 0.15)
