"""Formulas against figures that others published or computed with other code; the source stands beside each."""

from __future__ import annotations

import re
from importlib.resources import files

import numpy as np
import pymannkendall
import pytest
import rainflow as other_rainflow
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import median_filter
from scipy.stats import theilslopes

from herdbook.pipeline.health.trend import mann_kendall, reaches, theil_sen
from herdbook.pipeline.science.arrhenius import acceleration, equivalent_hours, equivalent_temp_c, resistance_factor
from herdbook.pipeline.science.rainflow import count, full_cycles, reversals
from herdbook.pipeline.science.robust_fit import line, median, within_blocks
from herdbook.pipeline.science.stretches import median_of_five, median_of_three


def norris() -> tuple[np.ndarray, np.ndarray]:
    text = files("scipy.stats").joinpath("tests/data/nist_linregress/Norris.dat").read_text()
    rows = re.findall(r"^\s+(-?\d+\.\d+)\s+(-?\d+\.\d+)\s*$", text.split("Data:", 1)[1].split("\n", 1)[1], re.M)
    y, x = np.array(rows, np.float64).T
    return x, y


def test_straight_line_nist_norris() -> None:
    """NIST StRD, data set Norris: certified values."""
    x, y = norris()
    assert x.size == 36
    fit = line(x, y)
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert fit.intercept_se == pytest.approx(0.232818234301152, rel=1e-10)
    assert fit.slope_se == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-10)


def test_rainflow_astm_figure() -> None:
    """ASTM E1049-85, figure 6: ranges 3, 4, 6, 8, 9 with 0.5, 1.5, 0.5, 1, 0.5 cycles."""
    history = np.array([-2, 1, -3, 5, -1, 3, -4, 4, -2], np.float64)
    assert count(reversals(history)[0]) == {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}


def test_rainflow_charge_example_counts_half_the_throughput() -> None:
    """95, 60, 75, 30, 100, 40, 55, 20, 90 %: 15 twice, 65 half, 70 once, 80 half; 1.725 full cycles."""
    cycles = count(np.array([95, 60, 75, 30, 100, 40, 55, 20, 90], np.float64))
    assert cycles == {15: 2.0, 65: 0.5, 70: 1.0, 80: 0.5}
    assert full_cycles(cycles) == pytest.approx(1.725)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 100), min_size=3, max_size=60))
def test_rainflow_equals_the_rainflow_package(values: list[int]) -> None:
    """rainflow 3.2 shares no code with ours; both leave the residue as half cycles."""
    series = np.array(values, np.float64)
    ours = {k: v for k, v in count(reversals(series)[0]).items() if k > 0}
    theirs = {k: v for k, v in other_rainflow.count_cycles(values) if k > 0}
    assert full_cycles(ours) == pytest.approx(full_cycles(theirs))
    assert ours == pytest.approx(theirs)


def test_small_swings_are_passed_over() -> None:
    points, index = reversals(np.array([50.0, 49, 50, 20, 21, 20.5, 60, 59, 60]), least=2.0)
    assert points.tolist() == [50.0, 20.0, 60.0]
    assert index.tolist() == [0, 3, 8]


def test_arrhenius_nist() -> None:
    """NIST/SEMATECH e-Handbook 8.1.5.1: from 25 to 125 degC 133 for 0.5 eV and 17 597 for 1.0 eV.

    The handbook adds 273.16 where we add 273.15, hence the hundredth of a degree."""
    assert float(acceleration(0.5, 25.01, 125.01)) == pytest.approx(133, abs=0.5)
    assert float(acceleration(1.0, 25.01, 125.01)) == pytest.approx(17_597, abs=1)


def test_arrhenius_mixed_temperatures() -> None:
    """60 % at 25, 30 % at 35, 10 % at 50 degC with 0.5 eV: factor 1.61, the same as a constant 32.5 degC."""
    temp, hours = np.array([25.0, 35.0, 50.0]), np.array([60.0, 30.0, 10.0])
    factor = equivalent_hours(0.5, temp, hours) / 100
    assert factor == pytest.approx(1.61, abs=0.005)
    assert equivalent_temp_c(0.5, factor) == pytest.approx(32.5, abs=0.05)


def test_resistance_rises_in_the_cold() -> None:
    """Factors against 25 degC for 0.3 eV: 1.9 at 10, 2.9 at 0, 4.7 at -10, 0.48 at 45 degC (hand calculation)."""
    found = resistance_factor(0.3, np.array([10.0, 0.0, -10.0, 45.0, 25.0]))
    assert found == pytest.approx([1.86, 2.91, 4.73, 0.480, 1.0], rel=0.005)


def test_mann_kendall_five_rising() -> None:
    """pymannkendall's documented case 1..5: S 10, variance 16.6667, z 2.20454, p 0.0274863."""
    found = mann_kendall(np.arange(1.0, 6.0))
    assert (found.s, found.n) == (10, 5)
    assert found.var == pytest.approx(16.6667, abs=5e-5)
    assert found.z == pytest.approx(2.20454, abs=5e-6)
    assert found.p == pytest.approx(0.0274863, abs=5e-8)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(-20, 20), min_size=4, max_size=40))
def test_trend_equals_pymannkendall_and_scipy(values: list[int]) -> None:
    y = np.array(values, np.float64)
    x = np.arange(y.size, dtype=np.float64)
    ours, theirs = mann_kendall(y), pymannkendall.original_test(values)
    assert ours.s == theirs.s
    assert ours.z == pytest.approx(theirs.z, abs=1e-9)
    assert ours.p == pytest.approx(theirs.p, abs=1e-9)
    slope, expected = theil_sen(x, y), theilslopes(y, x, 0.95)
    assert slope.slope == pytest.approx(expected.slope, abs=1e-12)
    assert slope.intercept == pytest.approx(expected.intercept, abs=1e-9)
    assert slope.low == pytest.approx(expected.low_slope, abs=1e-12)
    assert slope.high == pytest.approx(expected.high_slope, abs=1e-12)


def test_a_date_only_when_the_data_support_one() -> None:
    rng = np.random.default_rng(1)
    days = np.arange(0.0, 120, 5)
    falling = 100 - 0.1 * days + rng.normal(0, 0.5, days.size)
    found = reaches(days, falling, 80.0)
    assert found is not None
    assert found.earliest < 200 < (found.latest or 1e9)
    assert found.likely == pytest.approx(200, abs=25)
    assert reaches(days, 100 + rng.normal(0, 0.5, days.size), 80.0) is None  # no trend
    assert reaches(days, falling, 105.0) is None  # the limit lies behind
    assert reaches(days[:4], falling[:4], 80.0) is None  # too few


def test_slope_within_blocks_ignores_a_walking_level() -> None:
    """A level that walks from block to block, and a few wild samples, leave the slope alone."""
    rng = np.random.default_rng(2)
    block = np.repeat(np.arange(40), 50)
    x = rng.normal(0, 10, block.size)
    level = np.cumsum(rng.normal(0, 1, 40))[block]
    y = level - 0.002 * x + rng.normal(0, 0.005, block.size)
    y[::97] += 0.3
    fit = within_blocks(x, y[:, None], block)
    assert fit.slope[0] == pytest.approx(-0.002, abs=5 * fit.slope_se[0])
    assert fit.slope_se[0] < 3e-5


def test_slope_errors_are_honest() -> None:
    """Of 200 repetitions about 95 % must lie within two standard errors."""
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(200):
        block = np.repeat(np.arange(20), 20)
        x = rng.normal(0, 1, block.size)
        y = 2.0 * x + rng.normal(0, 1, 20)[block] + rng.normal(0, 1, block.size)
        fit = within_blocks(x, y[:, None], block)
        hits += abs(fit.slope[0] - 2.0) < 2 * fit.slope_se[0]
    assert 180 <= hits <= 199


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60))
def test_median_equals_numpy(values: list[float]) -> None:
    row = np.array(values)
    assert median(row) == pytest.approx(np.median(row), rel=1e-12, abs=1e-300)


def test_median_of_long_rows_equals_numpy() -> None:
    rng = np.random.default_rng(6)
    for size in (1500, 1501, 6000, 6001):
        row = rng.normal(size=size)
        assert median(row) == pytest.approx(np.median(row), rel=1e-12)
        assert median((1000 * row).astype(np.int64)) == np.median((1000 * row).astype(np.int64))


def test_running_medians_equal_scipy() -> None:
    """scipy.ndimage.median_filter shares no code with ours."""
    row = np.random.default_rng(7).integers(0, 9, 500).astype(float)
    assert median_of_five(row).tolist() == median_filter(row, 5)[2:-2].tolist()
    assert median_of_three(row)[1:-1].tolist() == median_filter(row, 3)[1:-1].tolist()


def test_blocks_in_any_order_give_the_same_slope() -> None:
    rng = np.random.default_rng(8)
    block = np.repeat(np.arange(12), 30)
    x = rng.normal(size=block.size)
    y = np.stack([2 * x + rng.normal(size=x.size), -x + rng.normal(size=x.size)], axis=1) + block[:, None]
    shuffled = rng.permutation(block.size)
    a, b = within_blocks(x, y, block), within_blocks(x[shuffled], y[shuffled], block[shuffled])
    assert a.slope == pytest.approx(b.slope, rel=1e-12)
    assert a.slope_se == pytest.approx(b.slope_se, rel=1e-12)
    assert a.level == pytest.approx(b.level, rel=1e-12)


def test_the_first_swing_counts_when_no_way_to_it_was_long() -> None:
    """From 1.9 to -1.9 is 3.8, though neither end is 2 away from the start."""
    points, index = reversals(np.array([0.0, 1.9, -1.9, 0.0]), least=2.0)
    assert points.tolist() == [0.0, 1.9, -1.9, 0.0]
    assert index.tolist() == [0, 1, 2, 3]
    assert reversals(np.array([0.0, 0.9, -0.9, 0.0, 5.0]), least=2.0)[0].tolist() == [0.0, -0.9, 5.0]
