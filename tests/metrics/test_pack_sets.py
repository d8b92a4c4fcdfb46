"""Sets that read the pack's own messages: charge and energy, zero of its current, openings and faults, cold charging.

Expected values by hand: constant currents over known times.
"""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import charge, cold_charge, pack_agreement, pack_energy, pack_state, pack_zero
from herdbook.pipeline.metrics.set import MetricSet, Outcome
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Signals
from tests.metrics.conftest import Build

OPEN, CLOSED, FAULT = 0.0, 2.0, 3.0


def run(of: MetricSet, signals: Signals, kind: str = "ride") -> Outcome:
    return of.compute(Session("x", kind, signals.start, signals.end), signals, profile())


def values(of: MetricSet, signals: Signals, kind: str = "ride") -> dict[str, float]:
    return {m.name: m.value for m in run(of, signals, kind).metrics}


def test_charge_and_energy_of_half_an_hour_out_and_half_an_hour_in(build: Build) -> None:
    """20 A for half an hour, then 10 A back, at 40 V: 10 Ah and 400 Wh out, half of it in; 15 Ah through 30 Ah."""
    signals = build(3600.0, pack_current=(10.0, lambda s: np.where(s < 1800, 20.0, -10.0)), pack_voltage=(1.0, 40.0))
    found = values(pack_energy.SET, signals)
    assert found["pack_out_ah"] == pytest.approx(10.0, rel=1e-3)
    assert found["pack_in_ah"] == pytest.approx(5.0, rel=1e-3)
    assert found["pack_out_wh"] == pytest.approx(400.0, rel=1e-3)
    assert found["pack_in_wh"] == pytest.approx(200.0, rel=1e-3)
    assert found["pack_cycles_efc"] == pytest.approx(15.0 / 60.0, rel=1e-3)


def test_without_a_voltage_there_is_charge_and_no_energy(build: Build) -> None:
    found = values(pack_energy.SET, build(600.0, pack_current=(10.0, 6.0)))
    assert set(found) == {"pack_out_ah", "pack_in_ah", "pack_cycles_efc"}
    assert found["pack_out_ah"] == pytest.approx(1.0, rel=2e-3)


@pytest.mark.parametrize(
    ("own", "volts", "end"),
    [
        ({"charge_end_a": 1.5}, 3.47, "stopped_short"),  # this charger waits until its current has fallen
        ({}, 3.47, "complete"),  # one that ends by voltage, for all that is known
        ({"charge_end_a": 1.5}, 3.62, "complete"),  # a group is at its limit
        ({"charge_end_a": 4.5}, 3.47, "complete"),  # on its way to the end, or there, by a sensor that reads high
        ({}, 3.37, "stopped_short"),  # far from full
    ],
)
def test_a_charger_that_waits_for_its_end_current_has_stopped_short_before_it(
    build: Build, own: dict[str, float], volts: float, end: str
) -> None:
    """Twelve ampere until the charger says done, every group at one voltage; a limit of 3.65 V."""
    signals = build(
        900.0,
        pack_current=(1.0, lambda s: np.where(s < 800, -12.0, 0.0)),
        charger_state=(1.0, lambda s: np.where(s < 800, 2.0, 4.0)),
        **{f"cell_voltage__{k}": (1.0, volts) for k in range(1, 5)},
    )
    session = Session("x", "charge", signals.start, signals.end)
    (event,) = charge.SET.compute(session, signals, profile(own)).events
    assert event.item == end


def test_a_pulsing_charger_ends_at_what_its_pulses_give(build: Build) -> None:
    """Fifty seconds on, ten off; it stops two seconds into a pulse."""

    def amps(s: np.ndarray) -> np.ndarray:
        return np.where((s % 60 < 50) & (s < 842), -12.0, 0.0)

    signals = build(900.0, pack_current=(1.0, amps), cell_voltage__1=(1.0, 3.37))
    session = Session("x", "charge", signals.start, signals.end)
    (event,) = charge.SET.compute(session, signals, profile()).events
    assert event.data["end_a"] == pytest.approx(12.0)


def test_zero_is_read_with_the_switch_open_and_settled_only(build: Build) -> None:
    """Open for half a minute at 0.3 A, then 25 A through the closed switch; the first 2 s are still falling."""
    signals = build(
        60.0,
        pack_current=(10.0, lambda s: np.where(s < 1.5, 9.0, np.where(s < 30, 0.3, 25.0))),
        contactor_state=(5.0, lambda s: np.where(s < 30, OPEN, CLOSED)),
    )
    (zero,) = [m for m in run(pack_zero.SET, signals).metrics if m.name == "pack_current_zero_a"]
    assert zero.value == pytest.approx(0.3, abs=1e-6)
    assert zero.se is not None
    assert zero.n == pytest.approx(280, abs=5)
    never = build(60.0, pack_current=(10.0, 0.3), contactor_state=(5.0, CLOSED))
    assert values(pack_zero.SET, never) == {"pack_still_readings": 0.0}


def test_zero_is_read_asleep_beside_the_charger_and_standing_still(build: Build) -> None:
    """0.8 A too much everywhere: at rest it is all there is; a charger at 0.1 A and lamps of 0.5 A come on top."""
    rest = build(600.0, pack_current=(1.0, 0.8))
    assert values(pack_zero.SET, rest, kind="rest")["pack_rest_a"] == pytest.approx(0.8)
    loud = build(600.0, pack_current=(1.0, 5.0))
    assert "pack_rest_a" not in values(pack_zero.SET, loud, kind="rest")
    awake = build(600.0, pack_current=(1.0, 0.8), vehicle_speed=(1.0, 0.0))  # its drive is on, and draws
    assert "pack_rest_a" not in values(pack_zero.SET, awake, kind="rest")
    charging = build(
        600.0,
        pack_current=(1.0, lambda s: np.where(s < 300, -9.2, 0.7)),
        charger_current=(1.0, lambda s: np.where(s < 300, 10.0, 0.1)),
    )
    assert values(pack_zero.SET, charging, kind="charge")["pack_less_charger_a"] == pytest.approx(0.8, abs=0.02)
    ride = build(
        600.0,
        pack_current=(10.0, lambda s: np.where(s < 100, 1.3, 25.0)),
        vehicle_speed=(10.0, lambda s: np.where(s < 100, 0.0, 5.0)),
    )
    assert values(pack_zero.SET, ride)["pack_idle_a"] == pytest.approx(1.3, abs=1e-6)


@pytest.mark.parametrize(("amps", "loaded"), [(12.0, 1.0), (1.0, 0.0)])  # of 30 Ah rated: a tenth is 3 A
def test_an_opening_counts_as_loaded_when_current_flowed(build: Build, amps: float, loaded: float) -> None:
    signals = build(
        60.0,
        pack_current=(10.0, lambda s: np.where(s < 30, amps, 0.0)),
        contactor_state=(10.0, lambda s: np.where(s < 30, CLOSED, FAULT)),
    )
    outcome = run(pack_state.SET, signals)
    found = {m.name: m.value for m in outcome.metrics}
    assert (found["contactor_openings"], found["contactor_opened_loaded"]) == (1.0, loaded)
    assert [e.data["before_a"] for e in outcome.events] == ([pytest.approx(amps)] if loaded else [])
    assert all(e.data["fault"] == 1.0 for e in outcome.events)


def test_one_odd_frame_is_no_opening_and_a_bit_needs_three_frames(build: Build) -> None:
    """Bit 1 stands for 10 s, bit 4 for a single frame."""
    signals = build(
        60.0,
        pack_current=(10.0, 12.0),
        contactor_state=(10.0, lambda s: np.where(np.abs(s - 30) < 0.01, OPEN, CLOSED)),
        bms_fault=(10.0, lambda s: np.where((s >= 20) & (s < 30), 2.0, np.where(np.abs(s - 45) < 0.01, 16.0, 0.0))),
    )
    outcome = run(pack_state.SET, signals)
    found = {m.name: m.value for m in outcome.metrics}
    assert found["contactor_openings"] == 0.0
    assert [e.item for e in outcome.events] == ["bit 1"]
    assert found["bms_fault_s"] == pytest.approx(10.0, abs=0.2)


def test_charge_below_the_limit_counts_until_the_coldest_sensor_has_warmed_up(build: Build) -> None:
    """9 A for an hour; the colder of two sensors warms from -6 degC by 12 K an hour: half of the charge is cold."""
    signals = build(
        3600.0,
        pack_current=(1.0, -9.0),
        cell_temp__1=(1.0, lambda s: -6.0 + 12.0 * s / 3600),
        cell_temp__2=(1.0, lambda s: -2.0 + 12.0 * s / 3600),
    )
    outcome = run(cold_charge.SET, signals, "charge")
    found = {m.name: m.value for m in outcome.metrics}
    assert found["cold_charge_ah"] == pytest.approx(4.5, rel=5e-3)
    assert found["cold_charge_s"] == pytest.approx(1800, rel=5e-3)
    assert found["coldest_cell_c"] == pytest.approx(-6.0)
    (event,) = outcome.events
    assert event.data["charge_ah"] == pytest.approx(4.5, rel=5e-3)
    assert (event.data["peak_a"], event.data["limit_c"]) == (9.0, 0.0)


def test_reported_charge_is_measured_without_a_current_too(build: Build) -> None:
    """Medians of five readings at either end."""
    found = values(pack_agreement.SET, build(100.0, pack_soc=(1.0, lambda s: 90.0 - 0.1 * s)))
    assert found["pack_soc_start_pct"] == pytest.approx(89.8)
    assert found["pack_soc_end_pct"] == pytest.approx(80.3)
    assert found["pack_soc_highest_pct"] == pytest.approx(90.0)
    assert found["pack_soc_lowest_pct"] == pytest.approx(80.1)
