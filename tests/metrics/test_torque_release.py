"""Time from releasing the trigger to no torque, on constructed rides."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics.set import Outcome
from herdbook.pipeline.metrics.torque_release import SET
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Signals

Build = Callable[..., Signals]


def ride(build: Build, stays_s: float, rate: float = 50.0, **over: tuple[float, object]) -> Outcome:
    """The trigger is let go at 10, 20 and 30 s for three seconds; 30 A stay for stays_s after each."""
    held = lambda s: np.where((s % 10 < 3) & (s >= 10), 0.0, 1.0)  # noqa: E731
    amps = lambda s: np.where((s % 10 >= stays_s) & (s % 10 < 3) & (s >= 10), 0.0, 30.0)  # noqa: E731
    roles = {"trigger": (rate, held), "motor_current__left": (rate, amps), "motor_current__right": (rate, amps)}
    signals = build(40.0, **{**roles, "vehicle_speed": (20, 5.0), **over})
    session = Session("EX-1", "ride", signals.start, signals.end)
    return SET.compute(session, signals, profile(drive={"trigger_timeout_ms": 250.0, "max_motor_a": 70.0}))


@pytest.mark.parametrize("stays", [0.0, 0.1, 0.2])
def test_torque_that_ends_in_time_is_no_event(build: Build, stays: float) -> None:
    outcome = ride(build, stays)
    assert not outcome.events
    longest = next(m for m in outcome.metrics if m.name == "release_to_zero_s")
    assert longest.value == pytest.approx(stays, abs=0.021)
    assert longest.n == 3


@pytest.mark.parametrize("stays", [0.4, 1.0])
def test_torque_that_stays_is_one_event_a_release(build: Build, stays: float) -> None:
    outcome = ride(build, stays)
    assert [round(e.data["lasted_s"], 1) for e in outcome.events] == [stays] * 3
    assert all(e.data["current_a"] == 30.0 for e in outcome.events)


@pytest.mark.parametrize("rate", [5.0, 10.0, 50.0])
def test_the_least_that_torque_lasted_is_no_more_than_it_did(build: Build, rate: float) -> None:
    """Whatever the trigger's cycle: 0.9 s, less one cycle of the current at most."""
    for event in ride(build, 0.9, rate=rate).events:
        assert 0.9 - 1.01 / rate - 0.02 <= event.data["sure_s"] <= 0.9 + 0.001


def test_braking_current_after_a_release_is_no_torque(build: Build) -> None:
    brake = lambda s: np.where((s % 10 < 3) & (s >= 10), -20.0, 30.0)  # noqa: E731
    outcome = ride(build, 0.0, motor_current__left=(50.0, brake), motor_current__right=(50.0, brake))
    assert not outcome.events


def test_a_coarse_log_does_not_accuse(build: Build) -> None:
    """At five samples a second a current of 0.3 s may have ended within the time-out."""
    assert not ride(build, 0.3, rate=5.0).events


def test_a_hole_after_the_release_is_not_torque(build: Build) -> None:
    late = lambda s: np.where((s % 10 >= 0.02) & (s % 10 < 3) & (s >= 10), np.nan, 30.0)  # noqa: E731
    outcome = ride(build, 0.0, motor_current__left=(50.0, late), motor_current__right=(50.0, late))
    assert not [e for e in outcome.events if e.data["lasted_s"] > 0.5]


def test_a_trigger_that_is_pulled_again_at_once_times_nothing(build: Build) -> None:
    """Let go for 0.3 s while torque ramps down: neither a release that ended in time nor one that did not."""
    blink = lambda s: np.where((s % 10 < 0.3) & (s >= 10), 0.0, 1.0)  # noqa: E731
    stays = lambda s: np.full(s.shape, 30.0)  # noqa: E731
    outcome = ride(
        build, 0.0, trigger=(50.0, blink), motor_current__left=(50.0, stays), motor_current__right=(50.0, stays)
    )
    assert not outcome.events
    assert {m.name: m.value for m in outcome.metrics} == {"release_count": 3.0}


def test_torque_that_stays_until_the_next_pull_a_second_later_is_one(build: Build) -> None:
    blink = lambda s: np.where((s % 10 < 1.0) & (s >= 10), 0.0, 1.0)  # noqa: E731
    stays = lambda s: np.full(s.shape, 30.0)  # noqa: E731
    outcome = ride(
        build, 0.0, trigger=(50.0, blink), motor_current__left=(50.0, stays), motor_current__right=(50.0, stays)
    )
    assert len(outcome.events) == 3
