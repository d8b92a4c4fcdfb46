"""Encoder, belt, resistance, controller, link, use and data sets on signals with known answers."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import belt, controller, data_quality, encoder, link, resistance, unasked_braking, use
from herdbook.pipeline.metrics.set import MetricSet, Outcome
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals

Build = Callable[..., Signals]
DRIVE = {"gear": 3.2, "wheel_m": 0.2, "torque_nm_per_a": 0.07, "trigger_timeout_ms": 250.0}
RPM = 3.2 / (math.pi * 0.2) * 60.0  # motor rpm a m/s


def run(metric_set: MetricSet, signals: Signals, kind: str = "ride") -> Outcome:
    session = Session("EX-1", kind, signals.start, signals.end)
    vehicle = profile(drive=DRIVE)
    object.__setattr__(vehicle, "vehicle", {"mass_kg": 95.0, "drag_area_m2": 0.6})
    return metric_set.compute(session, signals, vehicle)


def one(outcome: Outcome, name: str, item: str = "") -> Metric:
    found = [m for m in outcome.metrics if m.name == name and m.item == item]
    assert len(found) == 1, [(m.name, m.item) for m in outcome.metrics]
    return found[0]


def cut(signals: Signals, role: str, item: str, start_s: float, end_s: float) -> None:
    """Take the samples between two times out of a role."""
    s = signals.data[(role, item)]
    keep = (s.t < s.t[0] + int(start_s * 1e6)) | (s.t >= s.t[0] + int(end_s * 1e6))
    signals.data[(role, item)] = Series(s.t[keep], s.v[keep])


def test_encoder_losses_are_counted_and_standing_is_none(build: Build) -> None:

    def turn(s: Floats) -> Floats:
        return np.where(s < 60, 5.0 * RPM, 0.0)

    speed = lambda s: np.where(s < 60, 5.0, 0.0)  # noqa: E731
    lost = lambda s: np.where((s % 20 > 10) & (s % 20 < 10.3), 0.0, turn(s))  # noqa: E731
    blink = lambda s: np.where(np.isclose(s, 30.0), 0.0, turn(s))  # noqa: E731
    roles = {"vehicle_speed": (20, speed), "motor_speed__left": (50, lost), "motor_speed__right": (50, blink)}
    outcome = run(encoder.SET, build(80.0, **roles))
    assert one(outcome, "encoder_dropout_count", "left").value == 3.0
    assert one(outcome, "encoder_dropout_count", "right").value == 0.0
    assert one(outcome, "encoder_watched_h", "left").value == pytest.approx(60 / 3600, rel=0.02)
    assert outcome.events[0].data["speed_rpm"] == pytest.approx(5 * RPM, rel=0.01)


@pytest.mark.parametrize("slip", [0.0, 3.0, 6.0])
@pytest.mark.parametrize("lag_s", [0.0, 0.05])
def test_belt_slip_is_recovered_whatever_the_tyre_and_the_messages_lag(build: Build, slip: float, lag_s: float) -> None:

    def speed(s: Floats) -> Floats:
        return np.asarray(5.0 + 2.0 * np.sin(s / 3.0))

    def amps(s: Floats) -> Floats:
        return np.asarray(15.0 + 30.0 * np.cos(s / 3.0 + 0.4) + 5 * np.sin(s / 11.0))

    motor = lambda s: 1.03 * RPM * speed(s) * (1 + slip / 100 * amps(s) / 30.0)  # noqa: E731
    roles = {
        "vehicle_speed": (20, lambda s: speed(s + lag_s)),
        "motor_speed__left": (50, motor),
        "motor_current__left": (50, amps),
    }
    slip_found = one(run(belt.SET, build(300.0, **roles)), "belt_slip_pct", "left")
    assert slip_found.value == pytest.approx(slip, abs=0.25)
    assert slip_found.se is not None
    assert slip_found.se < 0.5


@pytest.mark.parametrize("twin", [True, False])
@pytest.mark.parametrize("slip", [0.0, 8.0])
def test_a_belt_that_slips_at_hard_starts_alone(build: Build, twin: bool, slip: float) -> None:
    """Every half minute three seconds at 40 A of the usual 30; else 3 A, and a hand brake at the end, which tells that
    the vehicle's speed comes 0.1 s late."""

    def starts(s: Floats) -> NDArray[np.bool_]:
        return np.asarray(s % 30.0 < 3.0)

    def speed(s: Floats) -> Floats:
        k = s % 30.0
        return np.asarray(np.where(k < 3.0, 3.0 + k, 6.0 - np.maximum(k - 27.0, 0.0)))

    amps = lambda s: np.where(starts(s), 40.0, 3.0)  # noqa: E731
    roles: dict[str, tuple[float, object]] = {
        "vehicle_speed": (20, lambda s: speed(np.maximum(s - 0.1, 0.0))),
        "motor_speed__left": (50, lambda s: RPM * speed(s) * (1 + starts(s) * slip / 100.0)),
        "motor_current__left": (50, amps),
    }
    if twin:
        roles |= {"motor_speed__right": (50, lambda s: RPM * speed(s)), "motor_current__right": (50, amps)}
    outcome = run(belt.SET, build(600.0, **roles))
    found = one(outcome, "belt_hard_slip_pct", "left")
    assert found.se is not None
    assert 0.4 < found.se < 1.5
    assert abs(found.value - slip) < 2.0 * found.se
    if twin:
        assert one(outcome, "belt_hard_slip_pct", "right").value == pytest.approx(-found.value, abs=0.1)


@pytest.mark.parametrize("slip", [0.0, 12.0])
def test_a_slip_that_grows_with_the_pull_is_not_taken_off_its_own_hard_seconds(build: Build, slip: float) -> None:
    """Accelerating goes with pulling, on hills less: speed = road + pull, so that a line of the gentle seconds over
    acceleration alone would hold the slip. A pull of 22.5 A of 30 makes three quarters of it."""

    def amps(s: Floats) -> Floats:
        return np.asarray(np.where(s % 40.0 < 5.0, 22.5, 2.5 + 2.5 * np.sin(s / 2.0)))

    def speed(s: Floats) -> Floats:
        # what the pull of the gentle seconds adds, its integral; hills beside
        k = s % 40.0
        return np.asarray(
            4.0 + np.where(k < 5.0, 0.5 * k, 2.5 * (40.0 - k) / 35.0) - 0.5 * np.cos(s / 2.0) + 0.3 * np.sin(s)
        )

    roles = {
        "vehicle_speed": (20, speed),
        "motor_speed__left": (50, lambda s: RPM * speed(s) * (1 + slip / 100.0 * amps(s) / 30.0)),
        "motor_current__left": (50, amps),
        "motor_speed__right": (50, lambda s: RPM * speed(s)),
        "motor_current__right": (50, amps),
    }
    found = one(run(belt.SET, build(900.0, **roles)), "belt_hard_slip_pct", "left")
    assert found.se is not None
    assert found.se < 1.0
    assert abs(found.value - 0.75 * slip) < 2.0 * found.se


def test_rolling_resistance_of_a_coast_down_in_closed_form(build: Build) -> None:
    """dv/dt = -(a + b v2) has v = sqrt(a/b) tan(c - sqrt(ab) t); a = 0.02 g / 1.03, b = air over mass."""
    a, b = 0.02 * 9.80665 / 1.03, 0.5 * 1.2 * 0.6 / 95.0 / 1.03
    c = math.atan(10.0 * math.sqrt(b / a))
    coast = lambda s: np.sqrt(a / b) * np.tan(np.clip(c - math.sqrt(a * b) * s, 0, None))  # noqa: E731
    roles = {"vehicle_speed": (20, coast), "brake_demand": (20, 0.0)}
    still = {f"motor_current__{side}": (20, 0.0) for side in ("left", "right")}
    outcome = run(resistance.SET, build(40.0, **roles, **still))
    assert one(outcome, "coast_rolling").value == pytest.approx(0.02, abs=0.0005)


@pytest.mark.parametrize("given", [1.0, 0.6])
def test_hills_braked_down_cancel_only_where_the_motors_alone_braked(build: Build, given: float) -> None:
    """Up and down 5 % at 6 m/s in turns: the way without brake is all uphill. A hand brake beside a weak electric one
    would pass for drag, so that nothing is said then."""

    def up(s: Floats) -> NDArray[np.bool_]:
        return np.asarray(s % 40 < 20)

    newton, weight, air = 2 * 0.07 * 3.2 / 0.1, 95.0 * 9.80665, 0.5 * 1.2 * 0.6 * 36.0
    climb = (weight * (0.016 + 0.05) + air) / 0.97 / newton
    hold = (weight * (0.016 - 0.05) + air) * 0.97 / newton * given
    amps = lambda s: np.where(up(s), climb, hold)  # noqa: E731
    roles = {
        "vehicle_speed": (20, 6.0),
        "brake_demand": (20, lambda s: np.where(up(s), 0.0, 20.0)),
        "regen_demand": (20, lambda s: np.where(up(s), 0.0, 5.0)),
        "regen_current": (20, lambda s: np.where(up(s), 0.0, 5.0 * given)),
        "motor_current__left": (20, amps),
        "motor_current__right": (20, amps),
    }
    outcome = run(resistance.SET, build(400.0, **roles))
    assert one(outcome, "travel_rolling").value == pytest.approx(0.066, abs=0.001)
    if given == 1.0:
        assert one(outcome, "ride_rolling").value == pytest.approx(0.016, abs=0.004)
    else:
        assert "ride_rolling" not in {m.name for m in outcome.metrics}


@pytest.mark.parametrize(("grade", "hz"), [(0.0, 20), (0.04, 20), (0.0, 1)])
def test_a_ride_weighs_vehicle_and_rider_by_changes_of_force(build: Build, grade: float, hz: int) -> None:
    """142.5 kg, half as much again as the profile knows, pushed and let roll for 4.65 s in turns:
    1.03 m v' = F - m g (0.02 + grade) - air, step by step. Neither tyres nor a hill are taken for weight; one message a
    second is too slow to weigh by."""
    mass, newton, dt = 142.5, 2 * 0.07 * 3.2 / 0.1, 0.01
    hold = mass * 9.80665 * (0.02 + grade)
    time = np.arange(0.0, 321.0, dt)
    push = np.where(time % 9.3 < 4.65, 2.0 * (hold + 9.0) if grade else 210.0, 0.0 if grade else -120.0)
    v = np.empty(time.size)
    now = 5.0
    for k, force in enumerate(push.tolist()):
        v[k] = now
        now = max(now + (force - hold - 0.36 * now * now) / (1.03 * mass) * dt, 2.5)
    speed = lambda s: np.interp(s, time, v)  # noqa: E731
    amps = lambda s: np.interp(s, time, np.where(push > 0, push / 0.97, push * 0.97)) / newton  # noqa: E731
    roles = {
        "vehicle_speed": (hz, speed),
        "brake_demand": (20, 0.0),
        "motor_current__left": (20, amps),
        "motor_current__right": (20, amps),
    }
    outcome = run(resistance.SET, build(320.0, **roles))
    if hz == 1:
        assert "ride_mass_kg" not in {m.name for m in outcome.metrics}
        return
    mass_found = one(outcome, "ride_mass_kg")
    assert mass_found.value == pytest.approx(mass, rel=0.04)
    assert mass_found.n >= 15


def test_rolling_resistance_at_steady_speed_and_energy_a_kilometre(build: Build) -> None:
    """At 6 m/s, Crr 0.016: force 14.9 + 12.96 N; torque current from it; 36 V x 10 A / 6 m/s = 16.7 Wh/km."""
    force = 0.016 * 95 * 9.80665 + 0.5 * 1.2 * 0.6 * 36.0
    amps = force / 0.97 / (0.07 * 3.2 / 0.1) / 2.0
    roles = {
        "vehicle_speed": (20, 6.0),
        "brake_demand": (20, 0.0),
        "pack_current": (10, 10.0),
        "pack_voltage": (10, 36.0),
        "motor_current__left": (20, amps),
        "motor_current__right": (20, amps),
    }
    outcome = run(resistance.SET, build(300.0, **roles))
    assert one(outcome, "travel_rolling").value == pytest.approx(0.016, abs=1e-4)
    used = one(outcome, "consumption_wh_km")
    assert used.value == pytest.approx(36 * 10 / 6 / 3.6, rel=0.01)
    # by hand: 1 % of 30 Wh and 0.05 A x 36 V x 300 s are 0.30 and 0.15 Wh, over 1.8 km
    assert used.se == pytest.approx(math.hypot(0.30, 0.15) / 1.8, rel=0.01)


def test_error_of_the_top_speed_is_its_noise(build: Build) -> None:
    """0.1 m/s of normal noise: a median of three scatters by 0.67 of it (order statistics)."""
    noise = np.random.default_rng(3).normal(0, 0.1, 1000)
    outcome = run(use.SET, build(100.0, vehicle_speed=(10, 5.0 + noise)))
    assert one(outcome, "top_speed_kmh").se == pytest.approx(3.6 * 0.067, rel=0.25)


def test_a_reset_and_the_voltage_before_it(build: Build) -> None:
    uptime = lambda s: np.where(s < 60, 500 + s, s - 61.5)  # noqa: E731
    volts = lambda s: np.where((s > 58) & (s < 60), 25.0, 38.0)  # noqa: E731
    signals = build(120.0, controller_uptime=(5, uptime), pack_voltage=(20, volts), vehicle_speed=(20, 4.0))
    cut(signals, "controller_uptime", "", 60.0, 61.5)
    outcome = run(controller.SET, signals)
    assert one(outcome, "reset_count").value == 1.0
    reset = outcome.events[0]
    assert reset.data["voltage_v"] == 25.0
    assert reset.data["speed_ms"] == 4.0
    assert (reset.end - reset.start) / 1e6 == pytest.approx(1.7, abs=0.3)


@pytest.mark.parametrize("silent", [0.8, 1.2, 2.0])
def test_a_silence_is_timed_by_the_densest_message_of_the_controller(build: Build, silent: float) -> None:
    """Uptime once a second, motor current every 50 ms; a speed that another sends goes on."""
    uptime = lambda s: np.where(s < 60.3, 500 + s, s - 60.3 - silent)  # noqa: E731
    signals = build(120.0, controller_uptime=(1, uptime), motor_current__left=(20, 5.0), motor_speed__left=(50, 900.0))
    for role, item in (("controller_uptime", ""), ("motor_current", "left")):
        cut(signals, role, item, 60.3, 60.3 + silent)
    reset = run(controller.SET, signals).events[0]
    assert reset.data["cycle_s"] == pytest.approx(0.05)
    assert reset.data["silent_s"] == pytest.approx(silent, abs=0.05)


def test_one_wrong_uptime_is_no_reset_and_fault_bits_join(build: Build) -> None:
    uptime = lambda s: np.where(np.isclose(s, 60.0), 0.0, 500 + s)  # noqa: E731
    bits = lambda s: np.where((s > 10) & (s < 12), 1.0, np.where((s > 14) & (s < 15), 4.0, 0.0))  # noqa: E731
    outcome = run(controller.SET, build(120.0, controller_uptime=(5, uptime), controller_fault=(5, bits)))
    assert one(outcome, "reset_count").value == 0.0
    assert one(outcome, "fault_count", "controller").value == 1.0  # two within five seconds
    assert outcome.events[0].data["bits"] == 5.0


def test_link_losses(build: Build) -> None:
    age = lambda s: np.where((s > 20) & (s < 21), (s - 20) * 1000, 20.0)  # noqa: E731
    outcome = run(link.SET, build(60.0, packet_age=(50, age), link_quality=(5, 97.0), vehicle_speed=(20, 3.0)))
    assert one(outcome, "link_loss_count").value == 1.0
    assert one(outcome, "link_loss_s").value == pytest.approx(1.0, abs=0.05)
    assert one(outcome, "link_quality_pct").value == 97.0


def test_distance_top_speed_and_an_odometer_that_goes_back(build: Build) -> None:
    odometer = lambda s: np.where(s < 50, 100 + 0.005 * s, 60 + 0.005 * s)  # noqa: E731
    spike = lambda s: np.where(np.isclose(s, 10.0), 45.0, 5.0)  # noqa: E731
    outcome = run(use.SET, build(100.0, vehicle_speed=(10, spike), odometer=(1, odometer)))
    assert one(outcome, "distance_km").value == pytest.approx(0.5, rel=0.02)
    assert one(outcome, "top_speed_kmh").value == pytest.approx(18.0)
    assert one(outcome, "odometer_distance_km").value == pytest.approx(0.49, abs=0.01)
    assert one(outcome, "odometer_back_km").value == pytest.approx(39.995, abs=0.01)


def test_charging_time(build: Build) -> None:
    amps = lambda s: np.where(s < 1800, -20.0, 0.0)  # noqa: E731
    outcome = run(use.SET, build(3600.0, pack_current=(1, amps), pack_soc=(0.1, 80.0)), "charge")
    assert one(outcome, "charging_h").value == pytest.approx(0.5, rel=0.01)


def test_a_gap_is_one_only_where_everything_is_silent(build: Build) -> None:
    signals = build(100.0, pack_current=(50, 1.0), vehicle_speed=(20, 1.0), pack_soc=(1, 50.0))
    cut(signals, "pack_current", "", 20.0, 50.0)
    cut(signals, "vehicle_speed", "", 30.0, 40.0)
    cut(signals, "pack_soc", "", 25.0, 45.0)
    outcome = run(data_quality.SET, signals)
    assert one(outcome, "data_gap_count").value == 1.0
    assert one(outcome, "data_longest_gap_s").value == pytest.approx(10.0, abs=0.1)
    assert one(outcome, "data_coverage").value == pytest.approx(0.9, abs=0.01)


def test_values_not_available_are_counted(build: Build) -> None:
    half = lambda s: np.where(s % 2 < 1, np.nan, 20.0)  # noqa: E731
    outcome = run(data_quality.SET, build(100.0, cell_temp__1=(2, half), cell_temp__2=(2, 20.0)))
    assert one(outcome, "data_missing_share", "cell_temp").value == pytest.approx(0.25)


@pytest.mark.parametrize(
    "metric_set",
    [encoder.SET, belt.SET, resistance.SET, controller.SET, link.SET, use.SET, data_quality.SET],
    ids=lambda s: s.id,
)
def test_metrics_are_those_announced(build: Build, metric_set: MetricSet) -> None:
    wave = lambda s: 20.0 * np.sin(s)  # noqa: E731
    sides = {f"motor_{what}__{side}": (20, wave) for what in ("speed", "current") for side in ("left", "right")}
    more = {
        "vehicle_speed": (20, 5.0),
        "brake_demand": (20, 0.0),
        "pack_current": (10, 5.0),
        "pack_voltage": (10, 36.0),
        "controller_uptime": (5, lambda s: s),
        "controller_fault": (5, 0.0),
        "packet_age": (20, 20.0),
        "link_quality": (5, 97.0),
        "odometer": (1, lambda s: s / 200),
        "pack_soc": (1, 50.0),
    }
    outcome = run(metric_set, build(200.0, **sides, **more))
    units = {m.name: m.unit for m in outcome.metrics}
    assert units or metric_set is belt.SET
    assert units.items() <= {k: u for k, (u, _) in metric_set.gives.items()}.items()


def test_braking_that_nobody_asked_for(build: Build) -> None:
    """At 30 s for two seconds without a demand, at 60 s with one, at 62.5 s half a second after one ended."""
    demand = lambda s: np.where((s >= 60) & (s < 62), 50.0, 0.0)  # noqa: E731
    amps = lambda s: np.where(((s >= 30) & (s < 32)) | ((s >= 60) & (s < 62.8)), -15.0, 5.0)  # noqa: E731
    roles = {"brake_demand": (50, demand), "motor_current__left": (50, amps), "vehicle_speed": (20, 5.0)}
    outcome = run(unasked_braking.SET, build(90.0, **roles))
    assert one(outcome, "unasked_braking_count").value == 1.0
    assert outcome.events[0].data["lasted_s"] == pytest.approx(2.0, abs=0.05)
    assert outcome.events[0].data["current_a"] == pytest.approx(15.0)
