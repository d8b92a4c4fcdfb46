"""Brakings with known answers: stopping physics, constructed shortfalls, delays and losses."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics.braking import SET
from herdbook.pipeline.metrics.set import Outcome
from herdbook.pipeline.vehicle.record import Event, Session
from herdbook.pipeline.vehicle.signals import Signals

Build = Callable[..., Signals]


def held(s: Floats, start: float = 10.0, end: float = 14.0, level: float = 1.0, late: float = 0.0) -> Floats:
    """A braking from start to end, ramped within 0.2 s."""
    return level * np.clip(np.minimum((s - late - start) / 0.2, (end - s) / 0.2), 0.0, 1.0)


def braking(build: Build, **over: tuple[float, object]) -> Signals:
    """One braking at 6 m/s, 20 A asked and given, pack at 60 % and 20 degC."""
    roles: dict[str, tuple[float, object]] = {
        "brake_demand": (50, lambda s: held(s, level=60.0)),
        "regen_demand": (50, lambda s: held(s, level=20.0)),
        "regen_current": (50, lambda s: held(s, level=20.0, late=0.1)),
        "regen_allowed": (50, 40.0),
        "vehicle_speed": (20, 6.0),
        "pack_voltage": (20, 40.0),
        "pack_soc": (1, 60.0),
        "cell_temp__1": (1, 20.0),
        **over,
    }
    return build(30.0, **roles)


def run(signals: Signals, **drive: object) -> Outcome:
    session = Session("EX-1", "ride", signals.start, signals.end)
    return SET.compute(session, signals, profile(drive=drive))


def only(outcome: Outcome) -> Event:
    assert len(outcome.events) == 1
    return outcome.events[0]


def test_energy_is_volts_times_amperes_times_seconds(build: Build) -> None:
    e = only(run(braking(build, regen_current=(50, lambda s: held(s, level=20.0)))))
    assert e.data["energy_wh"] == pytest.approx(20 * 40 * (4.0 - 0.2) / 3600, rel=0.01)
    assert e.data["short_a"] == 0.0
    assert e.data["ratio"] == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(("closes_s", "expected"), [(4.0, 6.0), (12.0, 0.0), (0.0, None)])
def test_time_since_the_main_switch_was_open(build: Build, closes_s: float, expected: float | None) -> None:
    """States are told once a second: open (0) until then, closed (2) after."""
    state = lambda s: np.where(s <= closes_s - 1.0, 0.0, 2.0)  # noqa: E731
    found = only(run(braking(build, contactor_state=(1, state)))).data.get("since_open_s")
    assert found == (None if expected is None else pytest.approx(expected, abs=1.05))


@pytest.mark.parametrize("delay", [0.1, 0.3, 0.8])
def test_response_time_is_the_delay_put_in(build: Build, delay: float) -> None:
    late = lambda s: held(s, level=20.0, late=delay)  # noqa: E731
    e = only(run(braking(build, regen_current=(50, late))))
    assert e.data["response_s"] == pytest.approx(delay, abs=0.021)


def test_stop_from_25_kmh_at_two_ms2(build: Build) -> None:
    """95 kg from 25 km/h: kinetic energy 2290 J = 0.64 Wh (hand calculation, m v^2 / 2)."""
    v0 = 25 / 3.6
    stop = v0 / 2.0

    def speed(s: Floats) -> Floats:
        return np.clip(v0 - 2.0 * np.clip(s - 10.0, 0, None), 0, None)

    def power(s: Floats) -> Floats:
        return np.where((s >= 10) & (s < 10 + stop), 95 * 2.0 * speed(s) / 40.0, 0.0)

    e = only(
        run(
            braking(
                build,
                brake_demand=(50, lambda s: np.where((s >= 10) & (s < 10 + stop), 60.0, 0.0)),
                regen_demand=(50, power),
                regen_current=(50, power),
                vehicle_speed=(20, lambda s: np.round(speed(s) * 36) / 36),  # 0.1 km/h steps
            )
        )
    )
    assert e.data["decel_ms2"] == pytest.approx(2.0, abs=0.02)
    assert 0 < e.data["decel_se_ms2"] < 0.02
    assert e.data["energy_wh"] == pytest.approx(2290 / 3600, rel=0.02)


@pytest.mark.parametrize(
    ("over", "part"),
    [
        ({"pack_soc": (1, 98.0)}, "full"),
        ({"cell_voltage__1": (2, 3.56), "pack_soc": (1, 90.0)}, "full"),
        ({"cell_temp__1": (1, 2.0)}, "cold"),
        ({"fet_temp__left": (1, 95.0)}, "hot"),
        ({"derate": (5, 15.0)}, "hot"),
        ({"vehicle_speed": (20, 0.9)}, "slow"),
        ({}, "unreasoned"),
        ({"pack_soc": (1, np.nan), "cell_temp__1": (1, np.nan)}, "unreasoned"),
        ({"regen_allowed": (50, 40.0)}, "undelivered"),
    ],
)
def test_each_shortfall_goes_to_its_reason(build: Build, over: dict[str, tuple[float, object]], part: str) -> None:
    """20 A asked, 4 A given: 16 A less the tolerance of 1.6 A are short, for one reason alone."""
    four = lambda s: held(s, level=4.0)  # noqa: E731
    e = only(run(braking(build, **{"regen_allowed": (50, 4.0), "regen_current": (50, four), **over})))
    shares = {k: v for k, v in e.data.items() if k.startswith("short_") and k != "short_a" and v > 0.01}
    assert list(shares) == [f"short_{part}_a"]
    assert e.data["short_a"] == pytest.approx(14.4, abs=0.2)


@pytest.mark.parametrize(("limit_a", "part"), [(40.0, "unreasoned"), (6.0, "full"), (np.nan, "full")])
def test_a_full_pack_explains_nothing_while_its_own_limit_is_open(build: Build, limit_a: float, part: str) -> None:
    """Where the profile says that the pack's charge limit holds the tapers, and that limit is on the bus."""
    four = lambda s: held(s, level=4.0)  # noqa: E731
    roles = {"regen_allowed": (50, 4.0), "regen_current": (50, four), "charge_limit": (5, limit_a)}
    full = braking(build, **roles, pack_soc=(1, 98.0))
    e = only(run(full, regen_charge_limit=True))
    assert e.data[f"short_{part}_a"] == pytest.approx(14.4, abs=0.2)
    assert only(run(full)).data["short_full_a"] == pytest.approx(14.4, abs=0.2)  # a limit that need not hold them


def test_a_limiter_may_explain_a_part_and_a_fault_the_rest(build: Build) -> None:
    """Full pack: 12 of 20 A allowed, 3 given: of 17 - 1.6 A short, 8 were withheld rightly and 7.4 not delivered."""
    three = lambda s: held(s, level=3.0)  # noqa: E731
    e = only(run(braking(build, pack_soc=(1, 97.0), regen_allowed=(50, 12.0), regen_current=(50, three))))
    assert e.data["short_full_a"] == pytest.approx(8.0, abs=0.1)
    assert e.data["short_undelivered_a"] == pytest.approx(7.4, abs=0.2)


def test_a_brake_that_lets_go_is_a_dropout_and_a_taper_is_not(build: Build) -> None:
    gone = lambda s: np.where((s > 12.0) & (s < 13.0), 0.0, held(s, level=20.0))  # noqa: E731
    e = only(run(braking(build, regen_current=(50, gone))))
    assert e.data["dropout_s"] == pytest.approx(1.0, abs=0.05)
    taper = lambda s: held(s, level=20.0) * np.clip((13.0 - s) / 1.5, 0.0, 1.0)  # noqa: E731
    e = only(run(braking(build, regen_current=(50, taper))))
    assert "dropout_s" not in e.data
    blink = lambda s: np.where((s > 12.0) & (s < 12.1), 0.0, held(s, level=20.0))  # noqa: E731
    e = only(run(braking(build, regen_current=(50, blink))))
    assert "dropout_s" not in e.data


@pytest.mark.parametrize(("back_at", "back"), [(13.0, 1.0), (20.0, 0.0)])
def test_whether_a_brake_came_back_in_the_same_braking(build: Build, back_at: float, back: float) -> None:
    gone = lambda s: np.where((s > 12.0) & (s < back_at), 0.0, held(s, level=20.0))  # noqa: E731
    assert only(run(braking(build, regen_current=(50, gone)))).data["dropout_back"] == back


@pytest.mark.parametrize(
    ("allowed", "soc", "pulled_s", "barred_s"),
    [(0.0, 60.0, 3.6, 3.6), (40.0, 60.0, 3.6, 0.0), (0.0, 99.0, 0.0, 0.0)],
)
def test_a_barred_brake_is_told_by_the_lever_alone(
    build: Build, allowed: float, soc: float, pulled_s: float, barred_s: float
) -> None:
    """Four seconds of lever less SETTLE_S; of a full pack nothing is asked."""
    given = (50, lambda s: held(s, level=min(allowed, 20.0)))
    signals = braking(build, regen_allowed=(50, allowed), regen_current=given, pack_soc=(1, soc))
    del signals.data["regen_demand", ""]
    e = only(run(signals))
    assert e.data["pulled_s"] == pytest.approx(pulled_s, abs=0.1)
    assert e.data["barred_s"] == pytest.approx(barred_s, abs=0.1)


def test_a_gentle_braking_does_not_count_as_idle_for_the_link(build: Build) -> None:
    """0.5 A of a pack of 30 Ah is next to none, and the link has risen by 1 V already."""
    rises = lambda s: 40.0 + held(s, level=1.0)  # noqa: E731
    roles = {
        "regen_current": (50, lambda s: held(s, level=0.5)),
        "pack_current": (50, lambda s: np.where((s < 9.0) | (s > 15.0), 5.0, -held(s, level=0.5))),
        "dc_link_voltage": (50, rises),
    }
    found = only(run(braking(build, **roles))).data
    assert found["link_rise_v"] == pytest.approx(1.0, abs=0.05)
    assert found.get("link_idle_v", 0.0) == pytest.approx(0.0, abs=0.05)


def test_a_drive_that_says_it_does_not_derate_leaves_nothing_to_a_step_that_stands_in(build: Build) -> None:
    roles = {"regen_allowed": (50, 4.0), "regen_current": (50, lambda s: held(s, level=4.0))}
    hot = braking(build, **roles, fet_temp__left=(1, 95.0), derate=(5, 100.0))
    assert only(run(hot)).data["short_unreasoned_a"] == pytest.approx(14.4, abs=0.2)
    own = {"fet_derate_c": 80.0, "fet_max_c": 90.0}
    assert only(run(hot, **own)).data["short_hot_a"] == pytest.approx(14.4, abs=0.2)


def test_a_brake_that_lets_go_as_soon_as_it_has_come_has_let_go(build: Build) -> None:
    """It gives 20 A for a fifth of a second, then nothing while the lever is held: there is no moment 0.3 s before the
    loss at which it braked."""
    brief = lambda s: np.where((s > 10.45) & (s < 11.6), 0.0, held(s, level=20.0, late=0.1))  # noqa: E731
    e = only(run(braking(build, regen_current=(50, brief))))
    assert e.data["dropout_s"] == pytest.approx(1.15, abs=0.05)


def test_a_brake_that_gives_all_that_is_allowed_and_lets_go_has_let_go(build: Build) -> None:
    """8 of 20 A allowed and given, then nothing of it."""
    roles = {
        "regen_allowed": (50, 8.0),
        "regen_current": (50, lambda s: np.where((s > 12.0) & (s < 13.0), 0.0, held(s, level=8.0))),
    }
    e = only(run(braking(build, **roles)))
    assert e.data["dropout_s"] == pytest.approx(1.0, abs=0.05)
    assert e.data["dropout_allowed_a"] == pytest.approx(8.0)


def test_a_pull_right_after_another_gets_its_answer_late_and_that_is_no_dropout(build: Build) -> None:
    """A brake of 0.5 s delay: as the second pull begins, the first one's current ends."""

    def pulls(s: Floats) -> Floats:
        return held(s, start=10.0, end=11.5, level=20.0) + held(s, start=11.8, end=14.0, level=20.0)

    late = lambda s: pulls(s - 0.5)  # noqa: E731
    roles = {"brake_demand": (50, lambda s: 3 * pulls(s)), "regen_demand": (50, pulls), "regen_current": (50, late)}
    assert all("dropout_s" not in e.data for e in run(braking(build, **roles)).events)


def test_a_late_brake_repeats_a_blink_of_the_lever_and_that_is_no_dropout(build: Build) -> None:

    def blink(s: Floats) -> Floats:
        return held(s, level=20.0) * np.where((s > 12.0) & (s < 12.25), 0.05, 1.0)

    late = lambda s: blink(s - 0.6)  # noqa: E731
    roles = {"brake_demand": (50, lambda s: 3 * blink(s)), "regen_demand": (50, blink), "regen_current": (50, late)}
    assert all("dropout_s" not in e.data for e in run(braking(build, **roles)).events)


def test_a_limiter_that_cuts_off_a_full_pack_says_so(build: Build) -> None:
    cut = lambda s: np.where(s > 12.0, 0.0, held(s, level=20.0))  # noqa: E731
    roles = {"regen_current": (50, cut), "regen_allowed": (50, lambda s: np.where(s > 12.0, 0.0, 40.0))}
    assert only(run(braking(build, **roles, pack_soc=(1, 99.0)))).data["dropout_share"] == 0.0
    assert only(run(braking(build, **roles))).data["dropout_share"] == 1.0


def test_a_limiter_that_cuts_at_the_voltage_of_a_braking_says_so(build: Build) -> None:
    """The braking current takes a group to where nothing is allowed; as it is cut the voltage falls back."""
    cut = lambda s: np.where(s > 12.0, 0.0, held(s, level=20.0))  # noqa: E731
    high = lambda s: np.where((s > 11.0) & (s < 12.05), 3.7, 3.35)  # noqa: E731
    roles = {"regen_current": (50, cut), "regen_allowed": (50, lambda s: np.where(s > 12.0, 0.0, 40.0))}
    limits = {"regen_cell_full_v": 3.5, "regen_cell_zero_v": 3.6}
    assert only(run(braking(build, **roles, cell_voltage__1=(50, high)), **limits)).data["dropout_share"] == 0.0


def test_a_late_brake_is_late_and_not_weak(build: Build) -> None:
    late = lambda s: held(s, level=20.0, late=0.8, end=14.8)  # noqa: E731
    e = only(run(braking(build, regen_current=(50, late))))
    assert e.data["response_s"] == pytest.approx(0.8, abs=0.03)
    assert e.data["short_a"] == pytest.approx(0.0, abs=0.2)


def test_a_weak_brake_is_not_late(build: Build) -> None:
    """A slow rise to 60 % of what was asked: half of it comes in time, half of what was asked a second later."""
    slow = lambda s: 12.0 * np.clip(np.minimum((s - 10.1) / 1.5, (14.0 - s) / 0.2), 0.0, 1.0)  # noqa: E731
    e = only(run(braking(build, regen_current=(50, slow))))
    assert e.data["response_s"] == pytest.approx(0.75, abs=0.05)
    refused = only(run(braking(build, regen_current=(50, lambda s: held(s, level=2.0)))))
    assert "response_s" not in refused.data


def test_letting_go_of_the_lever_is_no_dropout(build: Build) -> None:
    let_go = lambda s: held(s, end=12.0, level=20.0)  # noqa: E731
    e = only(
        run(
            braking(
                build,
                brake_demand=(50, lambda s: held(s, end=12.0, level=60.0)),
                regen_demand=(50, let_go),
                regen_current=(50, let_go),
            )
        )
    )
    assert "dropout_s" not in e.data


def test_asymmetry_index(build: Build) -> None:
    """30 against 24 A: 6 / 27 = 0.22 (hand calculation)."""
    sides = {
        "motor_current__left": (50, lambda s: -held(s, level=30.0)),
        "motor_current__right": (50, lambda s: -held(s, level=24.0)),
    }
    e = only(run(braking(build, **sides)))
    assert e.data["asymmetry"] == pytest.approx(0.222, abs=0.001)


def test_over_voltage_lasts_as_long_as_put_in(build: Build) -> None:
    volts = lambda s: np.where((s >= 11.0) & (s < 11.5), 46.0, 42.0)  # noqa: E731
    e = only(run(braking(build, pack_voltage=(50, volts)), dc_link_max_v=48.0))
    assert e.data["pack_over_s"] == pytest.approx(0.48, abs=0.03)  # 12 x 3.65 = 43.8 V
    assert e.data["pack_v_max"] == 46.0


def test_the_links_rise_over_the_pack(build: Build) -> None:
    e = only(run(braking(build, dc_link_voltage__left=(50, lambda s: 40.0 + held(s, level=6.0)))))
    assert e.data["link_rise_v"] == pytest.approx(6.0, abs=0.05)


def test_the_link_without_current_is_what_two_sensors_differ_by(build: Build) -> None:
    """The link reads 0.8 V more than the pack's 40 V while nothing flows, and 6 V more than that while braking."""
    link, amps = (lambda s: 40.8 + held(s, level=6.0)), (lambda s: -held(s, level=20.0))
    e = only(run(braking(build, dc_link_voltage__left=(50, link), pack_current=(20, amps))))
    assert e.data["link_idle_v"] == pytest.approx(0.8, abs=0.05)
    assert e.data["link_rise_v"] - e.data["link_idle_v"] == pytest.approx(6.0, abs=0.05)


def test_a_pause_in_the_log_splits_and_never_lengthens(build: Build) -> None:
    s = braking(build)
    key = ("brake_demand", "")
    whole = s.data[key]
    hole = (whole.t < whole.t[0] + 11_500_000) | (whole.t > whole.t[0] + 13_000_000)
    s.data[key] = type(whole)(whole.t[hole], whole.v[hole])
    outcome = run(s)
    assert [round((e.end - e.start) / 1e6, 1) for e in outcome.events] == [1.5, 1.0]


def test_no_braking_counts_none(build: Build) -> None:
    outcome = run(braking(build, brake_demand=(50, 0.0)))
    assert [(m.name, m.value) for m in outcome.metrics] == [("braking_count", 0.0)]


def test_metrics_are_those_announced(build: Build) -> None:
    sides = {"motor_current__left": (50, -20.0), "motor_current__right": (50, -20.0)}
    outcome = run(braking(build, **sides, dc_link_voltage__left=(50, 41.0)))
    ends = {"motor_current__front": (50, -10.0), "motor_current__rear": (50, -30.0)}
    shared = {m.name: m for m in run(braking(build, **ends)).metrics}
    assert shared["braking_front_share"].value == pytest.approx(0.25)
    found = {m.name: m.unit for m in (*outcome.metrics, shared["braking_front_share"])}
    assert found == {k: u for k, (u, _) in SET.gives.items()}
