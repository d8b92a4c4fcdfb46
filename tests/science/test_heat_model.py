"""The lumped model against its closed form, an ODE solver and published resistance laws."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from herdbook.pipeline.science.arrhenius import resistance_factor
from herdbook.pipeline.science.heat import Bins, copper_factor, relax, rise


def test_step_response_is_the_closed_form() -> None:
    """T(t) = q/h (1 - exp(-t/tau)): 48 W into 15 x 650 J/K through 0.4 W/K (6 K/W a group)."""
    capacity, loss = 15 * 650.0, 15 / 6.0
    tau = capacity / loss
    t = np.arange(1, 3000) * 10.0
    got = relax(np.full(t.shape, 48.0 / loss), 10.0, tau)
    np.testing.assert_allclose(got, 48.0 / loss * (1 - np.exp(-t / tau)), rtol=1e-12)
    assert got[5] * (60 / 60) == pytest.approx(0.295, abs=0.005)  # 48 W / 9750 J/K x 60 s = 0.295 K in a minute
    assert tau / 60 == pytest.approx(65.0)
    assert got[-1] == pytest.approx(19.2, rel=0.01)


def test_relax_equals_an_ode_solver_over_a_changing_load() -> None:
    rng = np.random.default_rng(5)
    drive = rng.uniform(0, 30, 400)
    got = relax(drive, 10.0, 700.0, first=4.0)
    y = 4.0
    for i, x in enumerate(drive):

        def slope(_: float, v: NDArray[np.float64], x: float = float(x)) -> NDArray[np.float64]:
            return (x - v) / 700.0

        y = float(solve_ivp(slope, (0, 10.0), [y], rtol=1e-9).y[0, -1])
        assert got[i] == pytest.approx(y, rel=1e-6)


def test_relax_survives_a_week_of_rest() -> None:
    got = relax(np.zeros(60480), 10.0, 380.0, first=80.0)
    assert np.isfinite(got).all()
    assert got[0] == pytest.approx(80 * np.exp(-10 / 380))
    assert got[-1] < 1e-100


@pytest.mark.parametrize(("temp", "ratio"), [(20.0, 1.0), (130.0, 57.3 / 40.0), (155.0, 61.2 / 40.0), (134.5, 1.45)])
def test_copper_law(temp: float, ratio: float) -> None:
    """40.0 mOhm at 20 degC is 57.3 at 130 and 61.2 at 155 degC (234.5 law; IEC 60034-1 uses 235)."""
    assert float(copper_factor(np.array(temp))) == pytest.approx(ratio, rel=2e-3)


@pytest.mark.parametrize(
    ("ea", "temp", "factor"),
    [(0.2, 10, 1.5), (0.3, 10, 1.9), (0.4, 10, 2.3), (0.3, 0, 2.9), (0.3, -10, 4.7), (0.4, 45, 0.38)],
)
def test_cell_resistance_law(ea: float, temp: float, factor: float) -> None:
    """Factors against 25 degC, computed by hand from exp(Ea/k (1/T - 1/298.15))."""
    assert float(resistance_factor(ea, float(temp))) == pytest.approx(factor, rel=0.035)


@pytest.mark.parametrize("true", [0.6, 1.0, 2.0])
def test_ratio_is_recovered_through_sensor_steps_and_offset(true: float) -> None:
    rng = np.random.default_rng(1)
    explained = relax(rng.uniform(0, 12, 360), 10.0, 4500.0)
    passive = 15.0 + 5.0 * np.exp(-np.arange(360) * 10 / 4500.0)
    measured = np.round((passive + true * explained + 0.7) / 0.2) * 0.2
    fit = rise(measured, passive, explained, 10.0)
    assert fit is not None
    assert fit.ratio == pytest.approx(true, abs=0.05)
    assert abs(fit.ratio - true) < 4 * fit.se
    assert fit.measured_k == pytest.approx(true * fit.explained_k, rel=0.05, abs=0.1)


def test_se_of_the_ratio_is_honest_under_slow_noise() -> None:
    """Over many fleets of wandering sensors the error stays within its announced size: rms of z between 0.3 and 1.5."""
    rng = np.random.default_rng(2)
    z = []
    for _ in range(200):
        explained = relax(rng.uniform(0, 12, 360), 10.0, 4500.0)
        wander = relax(rng.normal(0, 1.5, 360), 10.0, 100.0)
        fit = rise(20 + explained + wander, np.full(360, 20.0), explained, 10.0)
        assert fit is not None
        z.append((fit.ratio - 1.0) / fit.se)
    assert 0.3 < np.sqrt(np.mean(np.square(z))) < 1.5


def test_means_of_bins_leave_holes_empty() -> None:
    t = np.array([0, 1, 2, 25, 26], np.int64) * 1_000_000
    got = Bins.at(t, 0, 10.0, 4).means(np.array([1.0, 3.0, np.nan, 5.0, 7.0]))
    np.testing.assert_allclose(got, [2.0, np.nan, 6.0, np.nan])
