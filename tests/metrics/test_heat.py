"""Heat sets on signals built from the closed form, and on broken sensors."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import heat_drive, heat_pack, temp_sensors
from herdbook.pipeline.metrics.set import MetricSet, Outcome
from herdbook.pipeline.metrics.shared import resting_heat
from herdbook.pipeline.science.heat import relax
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals

Build = Callable[..., Signals]
# the lumped body of test_heat_model: 12 groups of 650 J/K, 2 mOhm; 65 minutes
PACK = {
    "heat_capacity_j_per_k": 7800.0,
    "heat_loss_w_per_k": 2.0,
    "cell_r10s_mohm": 2.0,
    "cell_r_ea_ev": 1e-9,
}
WINDING = {"winding_heat_capacity_j_per_k": 420.0, "winding_heat_loss_w_per_k": 1.0, "winding_ohm": 0.045}


def run(metric_set: MetricSet, signals: Signals, kind: str = "ride") -> Outcome:
    session = Session("EX-1", kind, signals.start, signals.end)
    return metric_set.compute(session, signals, profile(pack=PACK, drive=WINDING))


def moved(signals: Signals, hour: int) -> Signals:
    """The same, beginning at this hour (UTC) of its day."""
    by = hour * 3_600_000_000 - signals.start % 86_400_000_000
    data = {key: Series(s.t + by, s.v) for key, s in signals.data.items()}
    return Signals(signals.vehicle, signals.start + by, signals.end + by, data)


def one(outcome: Outcome, name: str, item: str = "") -> Metric:
    found = [m for m in outcome.metrics if m.name == name and m.item == item]
    assert len(found) == 1, [m.name for m in outcome.metrics]
    return found[0]


def warming(times: float = 1.0) -> Callable[[Floats], Floats]:
    """40 A through 24 mOhm: 38.4 W, towards 19.2 K with 3900 s, from 20 degC; read in steps of 0.2 K."""
    return lambda s: np.round((20.0 + times * 19.2 * (1 - np.exp(-s / 3900.0))) / 0.2) * 0.2


def riding(build: Build, **over: tuple[float, object]) -> Signals:
    four = {f"cell_temp__{i}": (0.5, warming()) for i in (1, 2, 3, 4)}
    return build(3600.0, **{"pack_current": (10, 40.0), "ambient_temp": (0.2, 20.0), **four, **over})


@pytest.mark.parametrize("times", [0.6, 1.0, 1.8])
def test_ratio_of_a_pack_that_warms_by_the_closed_form(build: Build, times: float) -> None:
    four = {f"cell_temp__{i}": (0.5, warming(times)) for i in (1, 2, 3, 4)}
    outcome = run(heat_pack.SET, riding(build, **four))
    ratio = one(outcome, "pack_heat_ratio")
    assert ratio.value == pytest.approx(times, abs=0.03)
    assert ratio.se is not None
    assert ratio.se < 0.05
    assert one(outcome, "pack_heat_explained_k").value == pytest.approx(19.2 * (1 - np.exp(-3600 / 3900)), rel=0.01)


@pytest.mark.parametrize("times", [1.0, 9.0])
def test_a_small_load_gives_its_ratio_with_an_error_that_says_so(build: Build, times: float) -> None:
    """6 A through 24 mOhm: 0.86 W, towards 0.43 K, of which 0.26 K are reached in the hour."""

    def warm(s: Floats) -> Floats:
        return np.round((20.0 + times * 0.432 * (1 - np.exp(-s / 3900.0))) / 0.1) * 0.1

    four = {f"cell_temp__{i}": (0.5, warm) for i in (1, 2, 3, 4)}
    outcome = run(heat_pack.SET, riding(build, pack_current=(10, 6.0), **four))
    assert not [m for m in outcome.metrics if m.name == "pack_heat_ratio"]
    ratio = one(outcome, "pack_heat_little_ratio")
    assert ratio.se is not None
    assert ratio.se > 0.3 / 0.27  # what stands beside the load, over what it explains
    assert abs(ratio.value - times) < 0.5
    assert one(outcome, "pack_heat_little_k").value == pytest.approx(0.432 * (1 - np.exp(-3600 / 3900)), rel=0.02)


def test_one_hot_sensor_stands_out_alone(build: Build) -> None:
    outcome = run(heat_pack.SET, riding(build, cell_temp__3=(0.5, warming(1.7))))
    assert one(outcome, "pack_heat_ahead", "3").value == pytest.approx(0.7, abs=0.05)
    assert one(outcome, "pack_heat_ahead", "2").value == pytest.approx(0.0, abs=0.05)
    assert one(outcome, "pack_heat_ratio").value == pytest.approx(1.0, abs=0.05)


def test_a_sensor_that_reads_high_is_not_a_hot_place(build: Build) -> None:
    high = lambda s: warming()(s) + 8.0  # noqa: E731
    outcome = run(heat_pack.SET, riding(build, cell_temp__3=(0.5, high)))
    assert one(outcome, "pack_heat_ahead", "3").value == pytest.approx(0.0, abs=0.05)


def test_a_shorted_sensor_does_not_make_a_hot_pack(build: Build) -> None:
    outcome = run(heat_pack.SET, riding(build, cell_temp__3=(0.5, 150.0)))
    assert one(outcome, "cell_temp_max_c").value < 40.0


def test_cold_start_of_a_warm_garage_is_not_heat(build: Build) -> None:
    """Out into 0 degC air with a 20 degC pack and no load to speak of: no ratio, and no rise."""
    cooling = lambda s: 20.0 * np.exp(-s / 3900.0)  # noqa: E731
    four = {f"cell_temp__{i}": (0.5, cooling) for i in (1, 2, 3, 4)}
    outcome = run(heat_pack.SET, riding(build, **four, ambient_temp=(0.2, 0.0), pack_current=(10, 3.0)))
    assert "pack_heat_ratio" not in {m.name for m in outcome.metrics}


def test_unknown_ambient_is_said_and_no_ratio_given(build: Build) -> None:
    signals = riding(build, bms_temp=(0.5, 29.0))
    del signals.data[("ambient_temp", "")]
    outcome = run(heat_pack.SET, signals)
    assert one(outcome, "ambient_known").value == 0.0
    assert "pack_heat_ratio" not in {m.name for m in outcome.metrics}


def test_a_hole_in_the_current_gives_no_ratio(build: Build) -> None:
    signals = riding(build)
    s = signals.data[("pack_current", "")]
    keep = (s.t < s.t[0] + 1_200_000_000) | (s.t > s.t[0] + 1_800_000_000)
    signals.data[("pack_current", "")] = type(s)(s.t[keep], s.v[keep])
    assert "pack_heat_ratio" not in {m.name for m in run(heat_pack.SET, signals).metrics}


def test_warming_without_load(build: Build) -> None:
    """Sensor 2 gains 0.3 K a minute after an hour of rest; the others lie still."""
    own = lambda s: 20.0 + 0.3 * np.clip(s - 3600.0, 0, None) / 60.0  # noqa: E731
    four = {f"cell_temp__{i}": (0.2, own if i == 2 else 20.0) for i in (1, 2, 3, 4)}
    outcome = run(heat_pack.SET, build(7200.0, pack_current=(1, 0.1), **four), "rest")
    rate = one(outcome, "cell_idle_rise_k_min", "2")
    assert rate.value == pytest.approx(0.3, abs=0.02)
    assert one(outcome, "cell_idle_rise_k_min").value == pytest.approx(0.0, abs=0.02)
    assert [(e.kind, e.item) for e in outcome.events] == [("idle_rise", "2")]


def test_a_lone_sensor_is_held_against_the_most_that_air_and_sun_can_do(build: Build) -> None:
    """A rest from noon at 30 degC, 0.2 K a minute: the sun can do that. The fixture's day is in UTC."""
    warm = lambda s: 30.0 + 0.2 * s / 60.0  # noqa: E731
    signals = build(3600.0, pack_current=(1, 0.1), cell_temp__1=(0.2, warm))
    day, night = (
        [e for e in run(heat_pack.SET, moved(signals, hours), "rest").events if not e.item] for hours in (12, 23)
    )
    own = [max(e.data["rate_k_min"] - e.data["passive_k_min"] for e in some) for some in (day, night)]
    assert own[0] < 0.0
    assert own[1] > 0.1
    assert all(e.data["late_k_min"] == pytest.approx(0.2, abs=0.02) for e in night)
    assert {e.data["sun_k_min"] for e in night} == {0.0}


def test_a_warm_pack_that_does_not_cool_by_night_makes_heat(build: Build) -> None:
    """At 48 degC with no current, in the dark: nothing around it is as warm."""
    signals = moved(build(5400.0, pack_current=(1, 0.1), cell_temp__1=(0.2, 48.0)), 22)
    events = [e for e in run(heat_pack.SET, signals, "rest").events if not e.item]
    assert max(e.data["rate_k_min"] - e.data["passive_k_min"] for e in events) > 0.08


def test_how_fast_a_place_warms_ahead_of_the_others(build: Build) -> None:
    """Sensor 2 gains 0.6 K a minute over four minutes of a ride at 0.4C; with two sensors nobody is the odd one."""
    four = {f"cell_temp__{i}": (1, (lambda s: 20.0 + 0.01 * s) if i == 2 else 20.0) for i in (1, 2, 3, 4)}
    amps = 0.4 * profile(pack=PACK).pack_figures.rated_ah
    metrics = run(heat_pack.SET, build(240.0, pack_current=(5, amps), **four)).metrics
    ahead = {m.item: m.value for m in metrics if m.name == "cell_ahead_k_min"}
    assert ahead["2"] == pytest.approx(0.6, abs=0.01)
    assert ahead["1"] == pytest.approx(0.0, abs=0.01)
    assert next(m.value for m in metrics if m.name == "pack_load_square") == pytest.approx(0.16)
    two = {k: v for k, v in four.items() if k[-1] in "12"}
    metrics = run(heat_pack.SET, build(240.0, pack_current=(5, amps), **two)).metrics
    assert "cell_ahead_k_min" not in {m.name for m in metrics}


@pytest.mark.parametrize("watts", [0.0, 10.0, 30.0])
@pytest.mark.parametrize("every_s", [30, 300])
def test_heat_of_a_resting_pack_by_the_closed_form(build: Build, watts: float, every_s: int) -> None:
    """From 28 degC in air of 20: T = Ta + P/h + (T0 - Ta - P/h) exp(-t/tau); sensor 2 a further 5 K ahead."""
    settle = watts / 2.0
    cool = lambda s: np.round((20 + settle + (8 - settle) * np.exp(-s / 3900.0)) / 0.2) * 0.2  # noqa: E731
    four = {f"cell_temp__{i}": (1 / every_s, cool) for i in (1, 3, 4)}
    four["cell_temp__2"] = (1 / every_s, lambda s: cool(s) + 5.0)  # type: ignore[no-untyped-call]
    rest = build(7200.0, pack_current=(0.05, 0.1), ambient_temp=(0.01, 20.0), **four)
    heat = one(run(heat_pack.SET, rest, "rest"), "pack_idle_heat_w", "2")
    assert heat.value == pytest.approx(watts, abs=0.5)
    assert heat.se is not None
    assert heat.se < 0.6


def test_heat_that_only_spreads_from_one_place_is_not_heat_of_its_own(build: Build) -> None:
    """A place 16 K ahead after its load hands its heat to the others within half an hour: the sum stays."""

    def place(lead: float) -> Callable[[Floats], Floats]:
        return lambda s: 24.0 + lead * np.exp(-s / 1800.0)

    four = {f"cell_temp__{i}": (0.2, place(12.0 if i == 1 else -4.0)) for i in (1, 2, 3, 4)}
    outcome = run(heat_pack.SET, build(5400.0, pack_current=(1, 0.1), ambient_temp=(0.1, 24.0), **four), "rest")
    heat = one(outcome, "pack_idle_heat_w", "1")
    assert heat.se is not None
    assert heat.value < 0.5  # W; the middle sensor alone would say 1.6


def test_a_rise_says_how_much_warmer_another_place_was(build: Build) -> None:
    """Sensor 2 gains 4 K in twenty minutes, 3 K more than most, beside a place that began 6 K warmer: the heat may
    come from there."""

    def place(start: float, gain: float) -> Callable[[Floats], Floats]:
        return lambda s: start + gain * np.clip(s - 3600.0, 0, 1200.0) / 1200.0

    places = {1: place(20.0, 1.0), 2: place(20.0, 4.0), 3: place(20.0, 1.0), 4: place(26.0, -2.0)}
    four = {f"cell_temp__{i}": (0.2, own) for i, own in places.items()}
    outcome = run(heat_pack.SET, build(7200.0, pack_current=(1, 0.1), **four), "rest")
    event = next(e for e in outcome.events if e.item == "2")
    assert event.data["spread_k"] == pytest.approx(6.0, abs=0.3)
    assert event.data["rise_k"] == pytest.approx(3.0, abs=0.2)


@pytest.mark.parametrize("every_s", [30, 200])
def test_noise_alone_is_no_warming_and_its_error_is_honest(every_s: int) -> None:
    """Rests of five hours with 0.25 K of noise: scatter of one window's slope as announced, none of many 5 sigma."""
    rng = np.random.default_rng(9)
    first, worst = [], 0.0
    for _ in range(150):
        track = np.full(1800, np.nan)
        track[:: every_s // 10] = np.round(rng.normal(20.0, 0.25, len(track[:: every_s // 10])) / 0.2) * 0.2
        rate, se = resting_heat.slopes(track)
        first.append(rate[300] / se)
        worst = max(worst, float(np.nanmax(rate)) / se)
    assert 0.7 < np.std(first) < 1.35
    assert worst < 5.0


def test_heat_still_evening_out_after_a_ride_is_not_warming_without_load(build: Build) -> None:
    """For eight minutes after the load a sensor still rises by 3 K: within the ten minutes that are left out."""
    late = lambda s: 30.0 + 3.0 * np.clip((s - 600.0) / 480.0, 0, 1)  # noqa: E731
    load = lambda s: np.where(s < 600, 60.0, 0.1)  # noqa: E731
    four = {f"cell_temp__{i}": (0.5, late) for i in (1, 2, 3, 4)}
    outcome = run(heat_pack.SET, build(5400.0, pack_current=(5, load), **four))
    assert one(outcome, "cell_idle_rise_k_min").value < 0.02


def test_a_single_bad_sample_makes_no_extreme(build: Build) -> None:
    spike = lambda s: np.where(np.isclose(s, 1800.0), 140.0, 25.0)  # noqa: E731
    outcome = run(heat_pack.SET, riding(build, cell_temp__1=(10, spike)))
    assert one(outcome, "cell_temp_max_c").value < 40.0


def test_winding_ratio_from_copper_loss(build: Build) -> None:
    """40 A, 45 mOhm: 1.5 x 0.045 x 1600 = 108 W at 20 degC; with the copper law the end is the ODE's (below)."""
    t = np.arange(0, 1200, 1.0)
    temp = np.full(t.shape, 20.0)
    for i in range(1, t.size):  # explicit steps of one second
        heat = 108.0 * (235 + temp[i - 1]) / 255
        temp[i] = temp[i - 1] + (heat - 1.0 * (temp[i - 1] - 20.0)) / 420.0
    sides = {f"motor_temp__{side}": (1, temp) for side in ("left", "right")}
    amps = {f"motor_current__{side}": (10, 40.0) for side in ("left", "right")}
    outcome = run(heat_drive.SET, build(1200.0, ambient_temp=(0.2, 20.0), **sides, **amps))
    assert one(outcome, "winding_heat_ratio", "left").value == pytest.approx(1.0, abs=0.02)
    assert one(outcome, "motor_temp_apart_k").value == 0.0


def test_a_power_stage_over_its_current(build: Build) -> None:
    """Two minutes of 30 A in every five, a stage of one time constant (closed form) that would rise by 40 K a kA2."""

    def amps(s: Floats) -> Floats:
        return np.where(s % 300.0 < 120.0, 30.0, 0.0)

    def warm(s: Floats) -> Floats:
        fine = np.arange(0.0, 1201.0, 1.0)
        return np.interp(s, fine, 25.0 + 3.0 * np.exp(-fine / 60.0) + 0.04 * relax(amps(fine) ** 2, 1.0, 60.0))

    outcome = run(heat_drive.SET, build(1200.0, motor_current__left=(10, amps), fet_temp__left=(1, warm)))
    assert one(outcome, "fet_heat_k_per_ka2", "left").value == pytest.approx(40.0, rel=0.05)
    assert one(outcome, "fet_rise_k", "left").value == pytest.approx(0.04 * 900.0 * (1.0 - np.exp(-2.0)), rel=0.1)
    idle = run(heat_drive.SET, build(1200.0, motor_current__left=(10, 2.0), fet_temp__left=(1, warm)))
    assert not [m for m in idle.metrics if m.name == "fet_heat_k_per_ka2"]
    still = run(heat_drive.SET, build(1200.0, motor_current__left=(10, amps), fet_temp__left=(1, 40.0)))
    assert not [m for m in still.metrics if m.name == "fet_heat_k_per_ka2"]  # frozen, it would be nought without error


def test_derating_time(build: Build) -> None:
    half = lambda s: np.where((s >= 100) & (s < 160), 50.0, 100.0)  # noqa: E731
    outcome = run(heat_drive.SET, build(600.0, motor_current__left=(10, 5.0), derate=(5, half)))
    assert one(outcome, "derated_s").value == pytest.approx(60.0, abs=0.5)
    assert one(outcome, "derated_share").value == pytest.approx(0.1, abs=0.002)
    assert outcome.events[0].data["left_pct"] == 50.0


@pytest.mark.parametrize(
    ("broken", "name", "expected"),
    [
        (-40.0, "temp_rail_share", 1.0),
        (150.0, "temp_rail_share", 1.0),
        (31.4, "temp_moved_share", 0.0),
        (lambda s: np.where(s % 50 < 25, 20.0, np.nan), "temp_missing_share", 12 / 25),
        (lambda s: np.where(s % 60 < 4, 45.0, 22.0), "temp_jumps", 119.0),
    ],
)
def test_broken_sensors(build: Build, broken: object, name: str, expected: float) -> None:
    outcome = run(temp_sensors.SET, riding(build, cell_temp__2=(0.5, broken)))
    assert one(outcome, name, "cell 2").value == pytest.approx(expected, abs=1.1 if name == "temp_jumps" else 0.02)
    sound = run(temp_sensors.SET, riding(build))
    assert one(sound, "temp_rail_share", "cell 2").value == 0.0
    assert one(sound, "temp_moved_share", "cell 2").value == pytest.approx(1.0, abs=0.05)
    assert one(sound, "temp_jumps", "cell 2").value == 0.0


def test_a_place_that_heats_beyond_the_range_of_its_sensor_is_no_shorted_sensor(build: Build) -> None:
    """It passes through all values up to there; a short is there at once and stays."""
    outcome = run(temp_sensors.SET, riding(build, cell_temp__2=(0.5, lambda s: 118.0 + s / 60.0)))
    assert one(outcome, "temp_rail_share", "cell 2").value == 0.0


@pytest.mark.parametrize("every_s", [0.5, 4.0, 30.0])
def test_a_sensor_that_flips_between_both_ends_is_told_and_makes_no_heat(build: Build, every_s: float) -> None:
    """A wire that breaks and touches: a third of the readings at each end, in turns that no mean over ten seconds
    shows. What it read is no temperature of the pack."""
    turns = [-40.0, 150.0, 24.0]
    flip = lambda s: np.take(turns, np.round(s / every_s).astype(int) % 3)  # noqa: E731
    signals = riding(build, cell_temp__2=(1.0 / every_s, flip))
    outcome = run(temp_sensors.SET, signals)
    assert one(outcome, "temp_rail_share", "cell 2").value == pytest.approx(2 / 3, abs=0.03)
    assert one(run(heat_pack.SET, signals), "cell_temp_max_c").value < 60.0


def test_soak_offset(build: Build) -> None:
    four = {f"cell_temp__{i}": (0.1, 15.0 if i != 4 else 19.0) for i in (1, 2, 3, 4)}
    outcome = run(temp_sensors.SET, build(9000.0, **four), "rest")
    assert one(outcome, "temp_soak_offset_k", "cell 4").value == pytest.approx(4.0)
    assert one(outcome, "temp_soak_offset_k", "cell 1").value == pytest.approx(0.0)


@pytest.mark.parametrize("metric_set", [heat_pack.SET, heat_drive.SET, temp_sensors.SET], ids=lambda s: s.id)
def test_metrics_are_those_announced(build: Build, metric_set: MetricSet) -> None:
    motors = {f"motor_{what}__left": (1, 40.0) for what in ("current", "temp")}
    outcome = run(metric_set, riding(build, **motors, fet_temp__left=(1, 50.0), derate=(1, 100.0)))
    units = {m.name: m.unit for m in outcome.metrics}
    assert units
    assert units.items() <= {k: u for k, (u, _) in metric_set.gives.items()}.items()


def test_rate_of_rise_under_load_by_the_closed_form(build: Build) -> None:
    """3.2 W a group of 650 J/K is 0.295 K/min at first; over the first five minutes of a 65 minutes' approach the
    slope is exp(-150 / 3900) of that, 0.284 K/min (hand calculation). Readings come in steps of 0.2 K."""
    outcome = run(heat_pack.SET, riding(build))
    for item in ("", "1", "4"):
        rate = one(outcome, "cell_load_rise_k_min", item)
        assert rate.se is not None
        assert rate.value == pytest.approx(0.284, abs=0.03)
        assert abs(rate.value - 0.284) < 3 * rate.se


def test_without_load_there_is_no_rate_under_load(build: Build) -> None:
    outcome = run(heat_pack.SET, riding(build, pack_current=(10, 0.5)))
    assert "cell_load_rise_k_min" not in {m.name for m in outcome.metrics}
    assert one(outcome, "cell_idle_rise_k_min").value > 0.1
