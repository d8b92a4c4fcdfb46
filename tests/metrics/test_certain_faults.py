"""Drive, brake and sensor faults as coarse or short logs show them: what is certain counts, what is not is left."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import braking, cold_charge, encoder, heat_drive, pack_state, temp_sensors
from herdbook.pipeline.metrics import torque_release as release
from herdbook.pipeline.metrics.set import MetricSet, Outcome
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Signals

Build = Callable[..., Signals]
OPEN, CLOSED = 0.0, 2.0
DRIVE = {"gear": 3.2, "wheel_m": 0.2, "torque_nm_per_a": 0.07, "trigger_timeout_ms": 250.0, "max_motor_a": 70.0}
RPM = 3.2 / (math.pi * 0.2) * 60.0


def run(metric_set: MetricSet, signals: Signals, kind: str = "ride", **drive: object) -> Outcome:
    vehicle = profile(drive={**DRIVE, **drive})
    object.__setattr__(vehicle, "vehicle", {"mass_kg": 95.0, "drag_area_m2": 0.6, "rolling": 0.016})
    return metric_set.compute(Session("EX-1", kind, signals.start, signals.end), signals, vehicle)


def value(outcome: Outcome, name: str, item: str = "") -> float:
    (found,) = (m for m in outcome.metrics if m.name == name and m.item == item)
    return found.value


@pytest.mark.parametrize(("amps", "counts"), [(4.0, True), (1.0, False)])
def test_torque_that_moves_the_vehicle_counts_however_few_amperes(build: Build, amps: float, counts: bool) -> None:
    """Rolling takes 14.9 N, an ampere in each of two motors gives 4.5 N at the road: 4 A drive on, 1 A do not."""
    held = lambda s: np.where((s >= 10) & (s < 13), 0.0, 1.0)  # noqa: E731
    current = lambda s: np.where((s >= 10) & (s < 13), np.where(s < 12, amps, 0.0), 1.5 * amps + 0.1 * (s % 1))  # noqa: E731
    roles = {"trigger": (20.0, held), "motor_current__left": (20.0, current), "motor_current__right": (20.0, current)}
    outcome = run(release.SET, build(30.0, **roles))
    assert len(outcome.events) == counts
    if counts:
        event = outcome.events[0]
        assert event.data["lasted_s"] == pytest.approx(2.0, abs=0.1)
        assert event.data["sure_s"] == pytest.approx(event.data["lasted_s"] - 0.05, abs=0.01)
        assert event.data["force_n"] == pytest.approx(2 * amps * 0.07 * 3.2 / 0.1, rel=0.01)


def test_an_opening_under_a_rising_load_is_seen_at_two_frames_a_second(build: Build) -> None:
    """The load rises within half a second; the switch opens for two seconds; its state comes every half second."""
    amps = lambda s: np.where((s > 29.8) & (s < 30.3), 40.0 * (s - 29.8), np.where(s > 32.5, 12.0, 0.0))  # noqa: E731
    state = lambda s: np.where((s > 30.3) & (s < 31.4), OPEN, CLOSED)  # noqa: E731
    signals = build(60.0, pack_current=(10.0, amps), contactor_state=(2.0, state), vehicle_speed=(10.0, 5.0))
    outcome = run(pack_state.SET, signals)
    assert value(outcome, "contactor_opened_loaded") == 1.0
    assert outcome.events[0].data["before_a"] > 12.0
    assert outcome.events[0].data["speed_ms"] == 5.0


def test_without_the_switchs_state_the_packs_own_mode_tells_with_the_current_gone(build: Build) -> None:
    """Mode 2 is drive, 5 is fault; once the current goes on in fault: that is no opening."""
    amps = lambda s: np.where((s > 30.0) & (s < 34.0), 0.0, 15.0)  # noqa: E731
    mode = lambda s: np.where(((s > 30.0) & (s < 34.0)) | ((s > 45.0) & (s < 48.0)), 5.0, 2.0)  # noqa: E731
    outcome = run(pack_state.SET, build(60.0, pack_current=(10.0, amps), bms_state=(2.0, mode)))
    assert value(outcome, "contactor_opened_loaded") == value(outcome, "contactor_openings") == 1.0
    assert outcome.events[0].data["by_mode"] == 1.0


def test_a_load_that_had_ended_before_the_switch_opened_is_no_load(build: Build) -> None:
    amps = lambda s: np.where(s < 28.0, 20.0, 0.1)  # noqa: E731
    state = lambda s: np.where(s > 30.0, OPEN, CLOSED)  # noqa: E731
    outcome = run(pack_state.SET, build(60.0, pack_current=(10.0, amps), contactor_state=(2.0, state)))
    assert value(outcome, "contactor_opened_loaded") == 0.0


def test_two_readings_of_a_slow_message_tell_a_lost_encoder_and_one_does_not(build: Build) -> None:
    lost = lambda s: np.where((s > 29.9) & (s < 30.15), 0.0, 5.0 * RPM)  # noqa: E731
    blink = lambda s: np.where((s > 39.95) & (s < 40.05), 0.0, 5.0 * RPM)  # noqa: E731
    roles = {"motor_speed__left": (10.0, lost), "motor_speed__right": (10.0, blink), "vehicle_speed": (10.0, 5.0)}
    outcome = run(encoder.SET, build(60.0, **roles))
    assert value(outcome, "encoder_dropout_count", "left") == 1.0
    assert value(outcome, "encoder_dropout_count", "right") == 0.0


def test_without_a_word_of_the_controller_the_demand_is_what_the_lever_gets(build: Build) -> None:
    """Four brakings with 30 A a motor at the lever's end; in the third nothing comes."""

    def braked(s: Floats) -> Floats:
        return np.where((s % 20 > 10) & (s % 20 < 14), 1.0, 0.0)

    def amps(s: Floats) -> Floats:
        return np.where((s > 40) & (s < 60), 0.0, -15.0 * braked(s))

    lever = lambda s: 50.0 * braked(s)  # noqa: E731
    watts_a = 0.85 * 30.0 * 0.07 * 3.2 / 0.1 * 6.0 / 40.0
    back = lambda s: np.where(amps(s) < 0, watts_a, 0.0)  # noqa: E731
    signals = build(
        80.0,
        brake_demand=(20.0, lever),
        motor_current__left=(20.0, amps),
        motor_current__right=(20.0, amps),
        regen_current=(20.0, back),
        vehicle_speed=(20.0, 6.0),
        pack_voltage=(10.0, 40.0),
        pack_soc=(1.0, 60.0),
        cell_temp__1=(1.0, 20.0),
    )
    events = run(braking.SET, signals).events
    assert [e.data["learned"] for e in events] == [1.0] * 4
    assert [round(e.data["ratio"], 1) for e in events] == [1.0, 1.0, 0.0, 1.0]
    assert events[2].data["short_unreasoned_a"] > 0.8 * events[2].data["demand_a"]


@pytest.mark.parametrize("times", [1.0, 2.5])
def test_a_winding_is_held_against_its_twin(build: Build, times: float) -> None:
    """20 K against 20 K times as many in ten minutes, at the same current."""

    def warm(k: float) -> Callable[[Floats], Floats]:
        return lambda s: np.round(20.0 + 20.0 * k * (1 - np.exp(-s / 200.0)))

    signals = build(
        600.0,
        motor_temp__left=(1.0, warm(times)),
        motor_temp__right=(1.0, warm(1.0)),
        motor_current__left=(10.0, 20.0),
        motor_current__right=(10.0, 20.0),
    )
    outcome = run(heat_drive.SET, signals)
    (ratio,) = (m for m in outcome.metrics if m.name == "winding_side_ratio")
    assert ratio.value == pytest.approx(times, abs=0.2)
    assert ratio.item == "left" or times == 1.0
    assert ratio.se is not None
    assert abs(ratio.value - times) < 3 * ratio.se


def test_a_cool_twin_that_lives_makes_the_hot_one_certain(build: Build) -> None:
    """40 K beside 2 K at the same current: the cool one is no frozen sensor, and warmed by a fifth at most."""

    def warm(k: float) -> Callable[[Floats], Floats]:
        return lambda s: np.round(20.0 + k * (1 - np.exp(-s / 200.0)))

    def beside(k: float) -> Outcome:
        amps = {f"motor_current__{side}": (10.0, 20.0) for side in ("front", "rear")}
        temps = {"motor_temp__front": (1.0, warm(k)), "motor_temp__rear": (1.0, warm(40.0))}
        signals = build(600.0, **amps, **temps)
        sensors_say = run(temp_sensors.SET, signals).metrics
        assert [m.item for m in sensors_say if m.name == "temp_moved_share" and m.value < 0.2] == (
            ["motor front"] if k == 0.0 else []
        )
        return run(heat_drive.SET, signals)

    (ratio,) = (m for m in beside(2.2).metrics if m.name == "winding_side_ratio")
    assert ratio.item == "rear"
    assert ratio.se is not None
    assert 1.0 / ratio.value + 3.0 * ratio.se / ratio.value**2 < 0.2  # of what the hot one warmed
    assert not [m for m in beside(0.0).metrics if m.name == "winding_side_ratio"]  # frozen: its twin may be as hot


def test_derating_is_explained_by_a_winding_as_hot_as_the_maker_derates_at(build: Build) -> None:
    derate = lambda s: np.where(s % 200 < 100, 60.0, 100.0)  # noqa: E731
    hot = lambda s: np.where(s < 200, 118.0, 60.0)  # noqa: E731
    signals = build(400.0, derate=(5.0, derate), motor_temp__left=(1.0, hot), motor_current__left=(5.0, 10.0))
    events = [e for e in run(heat_drive.SET, signals, winding_derate_c=120.0).events if e.kind == "derating"]
    assert [e.data["explained"] for e in events] == [1.0, 0.0]
    unknown = run(heat_drive.SET, signals).events
    assert all("explained" not in e.data for e in unknown)


def sensors(build: Build, odd: Callable[[Floats], Floats]) -> Outcome:
    warm = lambda s: np.round(20.0 + s / 120.0)  # noqa: E731
    four = {f"cell_temp__{i}": (0.5, warm if i != 3 else odd) for i in (1, 2, 3, 4)}
    return run(temp_sensors.SET, build(900.0, **four))


def test_a_sensor_apart_all_through_is_apart_and_a_place_that_warms_is_not(build: Build) -> None:
    off = sensors(build, lambda s: np.round(12.0 + s / 120.0))
    assert value(off, "temp_apart_least_k", "cell 3") == pytest.approx(-8.0, abs=0.6)
    hot = sensors(build, lambda s: np.round(20.0 + s / 30.0))
    assert value(hot, "temp_apart_k", "cell 3") > 9.0
    assert value(hot, "temp_apart_least_k", "cell 3") < 3.0


def three(build: Build, third: Callable[[Floats], Floats], others: Callable[[Floats], Floats]) -> Outcome:
    items = {f"cell_temp__{i}": (0.5, others if i != 3 else third) for i in (1, 2, 3)}
    return run(temp_sensors.SET, build(900.0, **items))


def test_one_of_three_that_reads_wrong_does_not_put_the_other_two_apart(build: Build) -> None:
    """Half way between a right and a wrong sibling is 6 K off, and no sensor reads that."""
    warm = lambda s: np.round(20.0 + s / 120.0)  # noqa: E731
    off = three(build, lambda s: np.round(32.0 + s / 120.0), warm)
    assert value(off, "temp_apart_least_k", "cell 3") == pytest.approx(12.0, abs=0.6)
    assert [value(off, "temp_apart_least_k", f"cell {k}") for k in (1, 2)] == [0.0, 0.0]


@pytest.mark.parametrize(("motor_c", "stage_c", "known"), [(15.0, 16.0, True), (32.0, 24.0, False)])
def test_a_pack_is_held_against_what_is_outside_of_it_once_that_has_cooled(
    build: Build, motor_c: float, stage_c: float, known: bool
) -> None:
    """After a ride motors, power stages and air are far apart; its own board, warm with the pack, is no witness."""
    places = {"motor_temp__left": motor_c, "fet_temp__left": stage_c, "ambient_temp": 15.0, "bms_temp": 24.0}
    cells = {"cell_temp__1": 21.0, "cell_temp__2": 30.0}
    outcome = run(temp_sensors.SET, build(900.0, **{k: (0.5, v) for k, v in (cells | places).items()}))
    over = {m.item: m.value for m in outcome.metrics if m.name == "temp_over_outside_k"}
    assert over == ({"cell 1": pytest.approx(6.0), "cell 2": pytest.approx(15.0)} if known else {})


def test_two_of_three_stand_still_where_one_place_alone_warms(build: Build) -> None:
    def standing(outcome: Outcome) -> set[str]:
        return {m.item for m in outcome.metrics if m.name == "temp_moved_share" and m.value < 0.15}

    warm = lambda s: np.round(20.0 + s / 30.0)  # noqa: E731
    still = lambda s: np.full(s.shape, 20.0)  # noqa: E731
    assert standing(three(build, warm, still)) == set()
    assert standing(three(build, still, warm)) == {"cell 3"}


def test_levels_leave_a_spike_aside(build: Build) -> None:
    spike = lambda s: np.where(np.abs(s - 300.0) < 1.0, 45.0, 21.0)  # noqa: E731
    outcome = sensors(build, spike)
    assert value(outcome, "temp_lowest_c", "cell 3") == value(outcome, "temp_highest_c", "cell 3") == 21.0


def test_an_open_sensor_makes_no_cold_charge(build: Build) -> None:
    odd: dict[str, float] = {"-40": -40.0, "colder than its siblings": 9.0 - 15.0}
    for reading in odd.values():
        cells = {f"cell_temp__{i}": (0.2, 12.0 if i != 3 else reading) for i in (1, 2, 3, 4)}
        outcome = run(cold_charge.SET, build(3600.0, pack_current=(1.0, -9.0), **cells), "charge")
        assert value(outcome, "cold_charge_ah") == 0.0


@pytest.mark.parametrize(("reading", "share"), [(145.0, 1.0), (-40.0, 1.0), (31.0, None)])
def test_a_lone_sensor_at_an_end_of_its_range_needs_no_sibling(
    build: Build, reading: float, share: float | None
) -> None:
    outcome = run(temp_sensors.SET, build(900.0, cell_temp__1=(0.5, reading)))
    found = [m.value for m in outcome.metrics if m.name == "temp_rail_share"]
    assert found == ([] if share is None else [share])
