"""Formulas of pipeline/science against code that others wrote (numpy, scipy) or published functions and figures.

What stands elsewhere: NIST, ASTM and the trend tests in cells/test_worked_examples.py; heat in drive/test_heat_model.py
(scipy's ODE solver); the road in drive/test_road.py; pulses, knees and anchors against PyBaMM in tests/external.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import trapezoid
from scipy.interpolate import interp1d
from scipy.ndimage import maximum_filter1d, minimum_filter1d
from scipy.optimize import brentq, least_squares

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science import brake_limits
from herdbook.pipeline.science.brake_response import Track, response_s
from herdbook.pipeline.science.coulomb import integrate
from herdbook.pipeline.science.heat import rise
from herdbook.pipeline.science.knee import crossings
from herdbook.pipeline.science.pulses import resistance, runs
from herdbook.pipeline.science.robust_fit import HUBER, MAD_TO_SD, robust_sd, within_blocks
from herdbook.pipeline.science.stretches import slopes
from herdbook.pipeline.vehicle.chemistry import chemistry


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(-60, 60), min_size=2, max_size=50), st.integers(0, 2**31))
def test_counted_charge_equals_scipys_trapezoids(amps: list[float], seed: int) -> None:
    current = np.array(amps)
    t = np.cumsum(np.random.default_rng(seed).integers(50_000, 900_000, current.size))
    found = integrate(t, current, gap_s=5.0)
    assert found.out_ah - found.in_ah == pytest.approx(trapezoid(current, t / 1e6) / 3600, abs=1e-12)
    assert found.run[-1] == pytest.approx(trapezoid(current, t / 1e6) / 3600, abs=1e-12)
    assert found.coverage == pytest.approx(1.0)


def test_robust_spread_equals_scipys() -> None:
    values = np.random.default_rng(1).normal(3, 2, 501)
    assert robust_sd(values) == pytest.approx(float(stats.median_abs_deviation(values, scale="normal")), rel=1e-9)
    assert pytest.approx(1 / stats.norm.ppf(0.75), rel=1e-9) == MAD_TO_SD


def test_slopes_of_groups_equal_scipys_regression() -> None:
    rng = np.random.default_rng(2)
    t, x, group = np.arange(300) * 37_000, rng.normal(size=300), rng.integers(-1, 4, 300)
    slope, se = slopes(t, x, group, 5)
    for g in range(4):
        expected = stats.linregress(t[group == g] / 1e6, x[group == g])
        assert slope[g] == pytest.approx(expected.slope, rel=1e-9)
        assert se[g] == pytest.approx(expected.stderr, rel=1e-9)
    assert np.isnan(slope[4])


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 60), st.integers(0, 200), st.integers(0, 2**31))
def test_runs_equal_scipys_filters(width: int, more: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    level = rng.normal(size=width + more)
    low, high, mean = runs(level, (width,))[width]
    whole, origin = slice(0, more + 1), -(width // 2)
    assert np.array_equal(low, minimum_filter1d(level, width, origin=origin)[whole])
    assert np.array_equal(high, maximum_filter1d(level, width, origin=origin)[whole])
    assert mean == pytest.approx(np.convolve(level, np.full(width, 1 / width), "valid"), abs=1e-12)


def test_resistance_of_a_worked_step() -> None:
    """3.288 to 3.196 V while the current goes from 2 to 48 A: 92 mV over 46 A is 2.00 mOhm (hand calculation)."""
    change_v, change_a = np.full(5, 3.196 - 3.288), np.full(5, 46.0)
    assert resistance(change_v, change_a)[0] == pytest.approx(2.00e-3, rel=1e-12)


def test_resistance_equals_scipys_huber_fit() -> None:
    """scipy minimises Huber's loss by itself; at the scale that ours settled on both must end at the same slope."""
    rng = np.random.default_rng(3)
    amps = rng.normal(0, 25, 60)
    volts = -0.002 * amps + rng.normal(0, 0.003, 60)
    volts[::11] += 0.06
    ohm, se, n = resistance(volts, amps)
    scale = MAD_TO_SD * float(np.median(np.abs(-volts - ohm * amps)))

    def left(r: Floats) -> Floats:
        return np.asarray(-volts - r * amps)

    found = least_squares(left, [0.0], loss="huber", f_scale=HUBER * scale, xtol=1e-14)
    assert ohm == pytest.approx(float(found.x[0]), rel=1e-3)
    assert abs(ohm - 0.002) < 3 * se
    assert n == 60
    assert abs(float(np.linalg.lstsq(amps[:, None], -volts, rcond=None)[0][0]) - ohm) > 10 * abs(found.x[0] - ohm)


def test_slope_within_blocks_equals_a_dummy_for_each_block() -> None:
    """numpy's least squares with a column a block; one round is the fit before samples are weighed."""
    rng = np.random.default_rng(4)
    block = np.repeat(np.arange(8), 40)
    x = rng.normal(size=block.size)
    y = 0.7 * x + block + rng.normal(0, 0.1, block.size)
    columns = np.column_stack([x, *(block == k for k in range(8))])
    expected = float(np.linalg.lstsq(columns, y, rcond=None)[0][0])
    assert within_blocks(x, y[:, None], block, rounds=1).slope[0] == pytest.approx(expected, rel=1e-9)


def test_ratio_of_a_rise_equals_scipys_regression() -> None:
    rng = np.random.default_rng(5)
    explained = np.linspace(0, 8, 200)
    measured = 20 + 1.3 * explained + rng.normal(0, 0.2, 200)
    expected = stats.linregress(explained, measured - 20)
    fit = rise(measured, np.full(200, 20.0), explained, 10.0)
    assert fit is not None
    assert fit.ratio == pytest.approx(expected.slope, rel=1e-9)
    assert fit.se == pytest.approx(expected.stderr, rel=0.15)  # readings are independent here


def test_residuals_that_hang_together_count_as_fewer() -> None:
    rng = np.random.default_rng(5)
    explained = np.linspace(0, 8, 200)
    slow = np.repeat(rng.normal(0, 0.2, 20), 10)  # the same for ten readings
    air, errors = np.full(200, 20.0), (rng.permutation(slow), slow)
    alone, together = (rise(20 + 1.3 * explained + e, air, explained, 10.0) for e in errors)
    assert alone is not None
    assert together is not None
    assert together.se > 2.0 * alone.se


def test_crossings_equal_scipys_root_finder() -> None:
    """Curves of three groups, one shifted by 0.9 Ah: where scipy finds the voltage is where ours does."""
    q = np.linspace(0, 30, 301)
    curves = [
        interp1d(q, 3.3 + 0.004 * q + 0.002 * np.expm1(np.clip(q + shift - 22, 0, None) * 0.5))
        for shift in (0.0, 0.0, 0.9)
    ]
    levels = np.array([3.40, 3.42, 3.45])
    found = crossings(q, np.stack([c(q) for c in curves], axis=1), levels)
    for i, level in enumerate(levels):
        for k, c in enumerate(curves):
            expected = brentq(lambda x, c=c, level=level: float(c(x)) - level, 0, 30)
            assert found[i, k] == pytest.approx(expected, abs=1e-6)


def published_ocv(soc: Floats) -> Floats:
    """Iron phosphate of Afshar et al. (arXiv 1709.03970) less graphite of Chen et al. (J. Electrochem. Soc. 167 (2020)
    080534), in the window that the table states: x 0.045 to 0.83, y 0.90 to 0.025."""
    x, y = 0.045 + (0.83 - 0.045) * soc, 0.90 + (0.025 - 0.90) * soc
    iron = 3.4077 - 0.020269 * y + 0.5 * np.exp(-150 * y) - 0.9 * np.exp(-30 * (1 - y))
    graphite = 1.9793 * np.exp(-39.3631 * x) + 0.2482 - 0.0909 * np.tanh(29.8538 * (x - 0.1234))
    graphite -= 0.04478 * np.tanh(14.9159 * (x - 0.2769)) + 0.0205 * np.tanh(30.4444 * (x - 0.6103))
    return np.asarray(iron - graphite)


def test_the_shipped_curve_is_the_published_functions() -> None:
    """And reads back: a rest voltage of the functions gives the charge it came from, within the stated error."""
    lfp = chemistry("LFP").ocv
    assert lfp.middle_v == pytest.approx(published_ocv(lfp.soc_pct / 100), abs=0.0007)
    for soc in (4.0, 8.0, 13.0):
        found, se = lfp.soc(float(published_ocv(np.array(soc / 100))))
        assert abs(found - soc) < se < 5.0


ENVELOPE = brake_limits.Envelope(
    cell_v=brake_limits.Taper(3.5, 3.5),
    cold_c=brake_limits.Taper(10.0, 10.0, rising=False),
    hot_cell_c=brake_limits.Taper(45.0, 45.0),
)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(*(st.floats(0, 60) for _ in range(3)), st.floats(0, 12), st.floats(0, 100), st.floats(-20, 60)),
        min_size=1,
        max_size=20,
    )
)
def test_the_parts_of_a_shortfall_add_up(rows: list[tuple[float, ...]]) -> None:
    """Whatever is asked, allowed and given: no part is negative, and together they are the whole shortfall."""
    demand, allowed, given_a, speed, soc, temp = np.array(rows).T
    nan = np.full(demand.shape, np.nan)
    state = brake_limits.BrakingState(speed, soc, nan, temp, nan, nan, nan, nan)
    tolerance = np.full(demand.shape, 1.0)
    parts = brake_limits.split_shortfall(demand, allowed, given_a, state, ENVELOPE, tolerance)
    assert all((part >= -1e-9).all() for part in parts.values())
    assert sum(parts.values()) == pytest.approx(np.clip(demand - given_a - tolerance, 0.0, None), abs=1e-9)


@pytest.mark.parametrize("delay", [0.06, 0.2, 0.36])
def test_response_time_equals_the_lag_of_a_cross_correlation(delay: float) -> None:
    """numpy's correlation finds the shift between both traces; a step of braking current and the same, later."""
    t = np.arange(0, 3_000_000, 20_000)
    ask = np.where(t >= 500_000, 20.0, 0.0)
    came = np.where(t >= 500_000 + delay * 1e6, 20.0, 0.0)
    lag = int(np.argmax(np.correlate(np.diff(came), np.diff(ask), "full"))) - (t.size - 2)
    tracks, whole = (Track(t, ask), Track(t, came)), (t[:1], t[-1:])
    found = response_s(*tracks, np.array([10.0]), *whole)
    assert found.seconds[0] == pytest.approx(lag * 0.02, abs=1e-9)


def test_a_pull_right_after_another_is_not_timed() -> None:
    """A thumb that taps ten times in two seconds at a brake that is 0.8 s late: what comes after each tap answers an
    earlier one. Only the first can be timed, however often it is looked at."""
    t = np.arange(0, 6_000_000, 20_000)
    asked = np.where((t >= 1_000_000) & (t < 3_000_000) & (t // 100_000 % 2 == 0), 20.0, 0.0)
    given = np.roll(asked, 40)
    starts = np.flatnonzero((asked > 0) & (np.roll(asked, 1) == 0))
    found = response_s(Track(t, asked), Track(t, given), np.full(starts.size, 10.0), t[starts], t[starts + 90])
    known = found.seconds[np.isfinite(found.seconds)]
    assert found.seconds[0] == pytest.approx(0.8, abs=0.03)
    assert known == pytest.approx(0.8, abs=0.03)
    assert known.size < 4
