"""The makers' physics against closed forms and conservation laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from demo_logs.makers.bus import draw_bus
from demo_logs.makers.design import draw_design
from demo_logs.makers.physics.pack import Cells, current_for, open_circuit
from demo_logs.makers.physics.road import SPINNING, drag_n, moved
from demo_logs.makers.state import World, new_world
from demo_logs.makers.vehicle import draw_fleet

Floats = NDArray[np.float64]


@pytest.fixture
def world() -> World:
    design = draw_design(5, 0)
    return new_world(draw_fleet(5, design, draw_bus(design), 1.0, 0))


def plain(world: World, soc: float = 0.6) -> Cells:
    """All groups at one charge, rested, without own discharge, branches or entropy."""
    cells = world.cells
    zero = np.zeros_like(cells.soc)
    gap = cells.gap_v * 0.0
    cells = replace(cells, soc=zero + soc, fast_v=zero, slow_v=zero, leak_a=zero, gap_v=gap, entropy_v_k=gap)
    cells.refresh()
    return cells


def test_two_branches_answer_a_step_as_their_closed_form(world: World) -> None:
    """V = OCV - I R0 - sum of drive (1 - exp(-t / tau)), the kinetic drive being arsinh of the current."""
    cells = plain(world)
    ohmic, kinetic = cells.ohmic_factor.copy(), cells.kinetic_factor.copy()
    amps, dt, steps = 0.5 * cells.ah.mean(axis=1), 0.25, 240
    for _ in range(steps):
        cells.step(amps, 0.0, dt)
    own, t = amps[:, None], steps * dt
    fast = cells.kinetic * kinetic * cells.bend_a * np.arcsinh(own / cells.bend_a) * (1 - np.exp(-t / cells.fast_s))
    slow = cells.slow * kinetic * own * (1 - np.exp(-t / cells.slow_s))
    expected = open_circuit(cells.curve, cells.soc) - own * cells.ohmic * ohmic - fast - slow
    np.testing.assert_allclose(cells.emf() - own * cells.ohm(), expected, atol=1e-9)


def test_charge_and_energy_are_conserved(world: World) -> None:
    """Charge out is charge lost; the chemistry's energy is what the terminals gave, the heat, and what the branches
    still hold when the current has changed a thousand times."""
    cells = plain(world)
    rng = np.random.default_rng(0)
    zero = np.zeros_like(cells.soc)
    before, given, heat, chemistry, taken = cells.soc.copy(), zero, zero, zero, zero[:, 0]
    for amps in rng.normal(0.0, 0.5, 1000):
        current = np.full(len(cells.soc), amps * float(cells.ah[0, 0]))
        emf0, ohm, free0 = cells.emf(), cells.ohm(), open_circuit(cells.curve, cells.soc)
        warm = cells.step(current, 0.0, 0.5)
        volts = 0.5 * (emf0 + cells.emf()) - current[:, None] * ohm
        free = 0.5 * (free0 + open_circuit(cells.curve, cells.soc))
        given = given + volts * current[:, None] * 0.5
        chemistry = chemistry + free * current[:, None] * 0.5
        heat, taken = heat + warm * 0.5, taken + current * 0.5 / 3600.0
    np.testing.assert_allclose(
        (before - cells.soc) * cells.ah, np.broadcast_to(taken[:, None], before.shape), atol=1e-9
    )
    np.testing.assert_allclose(chemistry, given + heat, rtol=1e-9, atol=1e-6 * float(np.max(heat)))


def test_colder_groups_resist_by_their_activation_energy(world: World) -> None:
    """R(0) / R(25) = exp(Ea / k (1 / 273.15 - 1 / 298.15)): 2.91 for 0.3 eV (trade facts, computed)."""
    cells = plain(world)
    cells.ea_ev, cells.temp_c = np.full_like(cells.ea_ev, 0.3), np.zeros_like(cells.temp_c)
    warm = replace(cells, temp_c=np.full_like(cells.temp_c, 25.0))
    warm.refresh()
    cells.refresh()
    np.testing.assert_allclose(cells.kinetic_factor / warm.kinetic_factor, 2.91, atol=0.01)


def test_power_is_what_was_asked() -> None:
    emf, ohm = np.array([48.0, 36.0]), np.array([0.03, 0.05])
    amps = current_for(np.array([800.0, -500.0]), emf, ohm)
    np.testing.assert_allclose(amps * (emf - amps * ohm), [800.0, -500.0])


def test_a_pack_without_load_goes_to_the_air_and_loses_no_heat_on_the_way(world: World) -> None:
    heat, temp = world.heat, np.linspace(10.0, 40.0, world.cells.soc.size).reshape(world.cells.soc.shape)
    real = world.cells.real
    shut = replace(heat, loss=heat.loss * 0.0)
    mixed = temp.copy()
    for _ in range(2000):
        mixed = shut.warm(mixed, np.zeros_like(mixed), 5.0)
    sums = [np.where(real, x, 0.0).sum(axis=1) for x in (temp, mixed)]
    np.testing.assert_allclose(sums[0], sums[1], rtol=1e-9)  # side by side they only exchange
    for _ in range(8000):
        mixed = heat.warm(mixed, np.zeros_like(mixed), 60.0)
    np.testing.assert_allclose(mixed[real], np.broadcast_to(heat.air_c[:, None], real.shape)[real], atol=0.05)


def test_coasting_down_takes_its_closed_form() -> None:
    """F = A + C v^2, A 6 N, C 0.25 N s2/m2, 154.5 kg, 60 to 10 km/h: 97.020923 s, 696.136 m (computed two ways)."""
    mass = np.array([154.5 / SPINNING])
    rolling, area = 6.0 / (mass * 9.81), np.array([0.25 / 0.6])
    speed, zero, dt, t, way = np.array([60.0 / 3.6]), np.zeros(1), 0.05, 0.0, 0.0
    while speed[0] > 10.0 / 3.6:
        after = moved(speed, mass, zero, drag_n(mass, rolling, area, speed, zero, zero), dt)
        way += 0.5 * float(speed[0] + after[0]) * dt
        speed, t = after, t + dt
    assert t == pytest.approx(97.020923, abs=0.15)
    assert way == pytest.approx(696.136, abs=1.0)
