"""Conservation laws: energy from the groups to the road, charge in every group, heat of a resistance."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from demo_logs.simulator.batch import new_batch
from demo_logs.simulator.cells import Cells, ocv
from demo_logs.simulator.charge import charge
from demo_logs.simulator.ride import DT_S, SPINNING, ride
from demo_logs.simulator.spec import Vehicle
from herdbook.pipeline.vehicle.profile import load_profile
from tests.demo.conftest import DBC_DEMO, NAMES, T0

TOLERANCE = 1e-3  # of the energy that flowed


@pytest.mark.parametrize("name", NAMES)
def test_energy_of_a_ride_balances(name: str) -> None:
    """Electric in = kinetic + potential and rolling and air (road) + hand brake + belts + heat, within 0.1 %; the
    groups' chemical energy, integrated over the open-circuit curve by scipy, covers what left and what became
    heat, within 1 % and the hysteresis."""
    profile = load_profile(DBC_DEMO / f"{name}.toml")
    batch = new_batch([Vehicle(f"X{i}", profile, 40 + i, serial=i, soc_pct=55.0) for i in range(3)])
    batch.begin(np.full(3, T0), np.full(3, 15.0), np.zeros(3), True)
    before = batch.pack.cells.soc.copy()
    _, trip = ride(batch, 2.0, ["town", "town", "down"])
    e = trip.energy
    flowed = sum(np.abs(v) for v in e.values())
    kinetic = 0.5 * trip.road.mass * SPINNING * trip.road.speed**2
    electric = e["terminals"] - e["wire"] - e["aux"] - e["link"]
    motion = e["link"] - e["copper"] - e["stage"] - e["iron"] - e["belt"] - e["road"] - e["hand"] - kinetic
    assert np.abs(electric / flowed).max() < TOLERANCE
    assert np.abs(motion / flowed).max() < TOLERANCE
    cells = batch.pack.cells
    for i in range(3):
        gave = sum(
            quad(lambda s: float(ocv(np.array([s]))[0]), after, start, limit=200)[0] * ah * 3600.0
            for start, after, ah in zip(before[i], cells.soc[i], cells.ah[i], strict=True)
        )
        heat = e["ohmic"][i] + e["slow"][i] + e["joint"][i]
        loop = 2 * cells.hysteresis_v * (np.abs(before[i] - cells.soc[i]) * cells.ah[i]).sum() * 3600.0
        assert gave == pytest.approx(e["terminals"][i] + heat, rel=0.01, abs=loop + 200.0)


def test_charge_of_every_group_balances() -> None:
    profile = load_profile(DBC_DEMO / "zirbel.toml")
    batch = new_batch([Vehicle("X", profile, 5, serial=9, soc_pct=97.0)])
    batch.begin(np.array([T0]), np.array([20.0]), np.zeros(1), False)
    cells = batch.pack.cells
    before = cells.soc.copy()
    trace = charge(batch, 40.0)
    true = (trace.data["pack_current"][:, :, 0] - batch.offset_a) / batch.gain
    bleed = trace.data["cell_bleed"][:, 0, :] * trace.data["cell_voltage"][:, 0, :] / profile.pack_figures.bleed_ohm
    dt = float(trace.t_s[1])
    into = (-true.sum() - bleed.sum(axis=0) - cells.leak_a[0] * len(trace.t_s)) * dt
    # the bleed of a step is decided at the end of the one before: one step of it may differ
    np.testing.assert_allclose((cells.soc - before)[0] * cells.ah[0] * 3600.0, into, atol=1.0)
    assert bleed.sum() > 0


def test_slow_part_matches_its_closed_form() -> None:
    """A constant current through R || C: v = I R (1 - exp(-t / tau)), and the heat of both parts."""
    one = np.ones((1, 1))
    cells = Cells(30.0 * one, 0.0013 * one, 0.0014 * one, 0.0 * one, 0.5 * one, 0.0 * one, 0.0 * one, 25.0 * one)
    heat = 0.0
    for _ in range(400):
        heat += float(cells.advance(np.array([40.0]), 0.0 * one, DT_S, one)[0, 0]) * DT_S
    t, tau = 400 * DT_S, cells.tau_s
    assert float(cells.slow_v[0, 0]) == pytest.approx(40.0 * 0.0014 * (1 - np.exp(-t / tau)), rel=1e-9)
    expected = 1600.0 * 0.0013 * t + 1600.0 * 0.0014 * (t - tau * (1 - np.exp(-t / tau)))
    assert heat == pytest.approx(expected, rel=1e-9)


def test_resistance_follows_arrhenius() -> None:
    """Factors against 25 degC for 0.3 eV, computed apart: exp(0.3 / k * (1 / T - 1 / 298.15))."""
    one = np.ones((1, 1))
    for temp, factor in ((10.0, 1.86), (0.0, 2.91), (45.0, 0.48)):
        cells = Cells(one, one, one, one, 0.8 * one, one, one, temp * one, ea_ev=0.3)
        assert float(cells.factor()[0, 0]) == pytest.approx(factor, abs=0.01)
