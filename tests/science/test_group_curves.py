"""dQ/dV and settling against curves of which both are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.science.group_curves import charge_per_volt, settling


def test_a_straight_line_has_one_slope() -> None:
    volts = np.linspace(3.0, 3.5, 5001)
    at, slope = charge_per_volt(volts, 40.0 * (volts - 3.0), 0.01)
    assert slope == pytest.approx(40.0, rel=0.02)
    assert at[0] > 3.009


def test_a_peak_stands_where_the_curve_is_flat_and_its_area_is_the_charge() -> None:
    """Q = 10 (1 + tanh((V - 3.3) / 0.02)): dQ/dV = 500 / cosh^2, 500 Ah/V at 3.3 V."""
    ah = np.linspace(0.5, 19.5, 20001)
    volts = 3.3 + 0.02 * np.arctanh(ah / 10.0 - 1.0)
    at, slope = charge_per_volt(volts, ah, 0.002)
    assert abs(at[np.nanargmax(slope)] - 3.3) < 0.002
    assert np.nanmax(slope) == pytest.approx(500.0, rel=0.02)
    assert np.nansum(slope) * 0.002 == pytest.approx(19.0, rel=0.05)


def test_noise_makes_no_step_negative() -> None:
    rng = np.random.default_rng(1)
    ah = np.linspace(0.0, 10.0, 20000)
    at, slope = charge_per_volt(3.2 + 0.01 * ah + rng.normal(0, 0.002, ah.size), ah, 0.005)
    inner = (at > 3.215) & (at < 3.285)
    assert (slope[inner] > 0).all()
    assert float(np.median(slope[inner])) == pytest.approx(100.0, rel=0.05)


def test_too_little_gives_nothing_and_no_step_is_refused() -> None:
    assert charge_per_volt(np.array([3.0, 3.1]), np.array([0.0, 1.0]), 0.01)[0].size == 0
    with pytest.raises(ValueError, match="more than zero"):
        charge_per_volt(np.zeros(9), np.zeros(9), 0.0)


def test_a_voltage_settles_by_its_own_time() -> None:
    """20 mV that fade with 300 s: after 300 s less the end, 20 (e^-1 - e^-4) mV."""
    t = np.arange(0.0, 1300.0)
    found = settling(t, 3.33 + 0.020 * np.exp(-t / 300.0), np.array([10.0, 300.0, 1200.0]))
    assert found == pytest.approx(
        0.020 * np.array([np.exp(-1 / 30), np.exp(-1), np.exp(-4)]) - 0.020 * np.exp(-4), abs=1e-4
    )
    assert found[-1] == 0.0
    assert np.isnan(settling(t, t, np.array([10.0, 5000.0]))).all()
