"""Each kind of step is found where it is, by roles alone, and not where it only looks like it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.acceptance.step_kind import Scene, Span
from herdbook.pipeline.bench.acceptance.steps import all_kinds
from herdbook.pipeline.vehicle.profile import load_profile
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

ZIRBEL = load_profile(Path(__file__).parents[2] / "dbc_demo" / "zirbel.toml")
LENGTH_S, HZ = 60, 50
T = np.arange(LENGTH_S * HZ, dtype=np.int64) * (1_000_000 // HZ)


def over(*pieces: tuple[float, float, float], otherwise: float = 0.0) -> Floats:
    """A value for each moment of T: (from, to, value), seconds."""
    v = np.full(T.size, otherwise)
    for a, b, value in pieces:
        v[(a * 1e6 <= T) & (b * 1e6 > T)] = value
    return v


def scene(kind: str = "ride", bench: bool = False, **roles: Floats) -> Scene:
    """roles: by name, "motor_speed__left" for one of an item."""
    data: dict[Key, Series] = {}
    for name, v in roles.items():
        role, _, item = name.partition("__")
        data[role, item] = Series(T, v)
    return Scene(kind, bench, Signals("a", 0, int(LENGTH_S * 1e6), data), ZIRBEL)


def found(kind: str, where: Scene, **keys: object) -> list[tuple[float, float]]:
    step = all_kinds()[kind]
    spans: list[Span] = step.find(where, step.keys(keys, "the plan"))
    return [(round(a / 1e6, 1), round(b / 1e6, 1)) for a, b in spans]


@pytest.mark.parametrize("kind", ["rest", "ride", "charge"])
def test_sessions_are_what_they_are_everywhere(kind: str) -> None:
    assert found(kind, scene(kind), least_s=60) == [(0.0, 60.0)]
    assert found(kind, scene(kind), least_s=61) == []
    other = "ride" if kind == "rest" else "rest"
    assert found(kind, scene(other), least_s=60) == []


def test_a_full_braking_is_found_with_its_whole_command() -> None:
    """Half a command from 10 s, all of it from 12 to 13 s, none from 14 s on: from 8 s (two before) to 15.5 s."""
    asked = over((10, 12, 50), (12, 13, 100), (13, 14, 40), (30, 35, 60))
    assert found("full_braking", scene(brake_demand=asked)) == [(8.0, 15.5)]
    assert found("full_braking", scene(brake_demand=asked), demand_pct=55) == [(8.0, 15.5), (28.0, 36.5)]
    assert found("full_braking", scene(brake_demand=asked), hold_s=2) == []
    assert found("full_braking", scene(throttle=asked)) == []


def test_releases_are_taken_together() -> None:
    held = over((5, 20, 1), (22, 30, 1), (31, 40, 1))
    assert found("trigger_release", scene(trigger=held)) == [(14.0, 46.0)]
    assert found("trigger_release", scene(trigger=held), least_times=4) == []
    assert found("trigger_release", scene(trigger=over((0, 60, 1)))) == []  # never let go
    assert found("trigger_release", scene(trigger=over((0, 20, 1), otherwise=np.nan))) == []  # lost is not let go


def spinning(amps: float, bench: bool = True) -> Scene:
    speed, current = over((10, 20, 2500.0)), over((0, 60, amps))
    both = {
        f"motor_{what}__{side}": v for what, v in (("speed", speed), ("current", current)) for side in ("left", "right")
    }
    return scene("rest", bench, **both)


def test_a_spin_up_is_free_and_on_a_stand() -> None:
    """70 A is the most of the profile: 15 % of it, 10.5 A, is the usual bound."""
    assert found("spin_up", spinning(2.0), speed_rpm=2000) == [(10.0, 20.0)]
    assert found("spin_up", spinning(10.0), speed_rpm=2000) == [(10.0, 20.0)]
    assert found("spin_up", spinning(11.0), speed_rpm=2000) == []
    assert found("spin_up", spinning(2.0), speed_rpm=2000, most_a=1) == []
    assert found("spin_up", spinning(2.0), speed_rpm=2600) == []
    assert found("spin_up", spinning(2.0, bench=False), speed_rpm=2000) == []  # a hill looks the same


def test_one_motor_that_does_not_spin_is_no_spin_up() -> None:
    one = spinning(2.0)
    one.signals.data["motor_speed", "right"] = Series(T, np.zeros(T.size))
    assert found("spin_up", one, speed_rpm=2000) == []


def test_a_point_on_the_dynamometer() -> None:
    speed, current = over((10, 20, 1500.0), (30, 40, 1500.0)), over((10, 40, 30.0), (30, 40, -30.0))
    where = scene("ride", True, motor_speed__left=speed, motor_current__left=current)
    assert found("dynamometer_point", where, speed_rpm=1490, current_a=30.5) == [(10.0, 20.0)]
    assert found("dynamometer_point", where, speed_rpm=1500, current_a=-30) == [(30.0, 40.0)]
    assert found("dynamometer_point", where, speed_rpm=1500, current_a=30, motor="right") == []
    assert found("dynamometer_point", where, speed_rpm=1500, current_a=30, hold_s=11) == []
    assert found("dynamometer_point", where, speed_rpm=1600, current_a=30) == []
    assert found("dynamometer_point", where, speed_rpm=1600, current_a=30, within_rpm=150) == [(10.0, 20.0)]
