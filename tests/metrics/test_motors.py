"""One motor, two, or any number: what is reckoned over motors counts each once, and is nothing where one is missing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from herdbook.pipeline.metrics import controller, encoder
from herdbook.pipeline.metrics.shared.motors import motors_of, total_current
from herdbook.pipeline.vehicle.profile import load_profile
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

TOY = Path(__file__).parents[1] / "toy" / "data" / "toy.toml"
T = np.arange(0, 60_000_000, 20_000, dtype=np.int64)


def signals(**roles: dict[str, float]) -> Signals:
    data: dict[Key, Series] = {
        (role, item): Series(T, np.full(T.size, v)) for role, some in roles.items() for item, v in some.items()
    }
    return Signals("V", 0, 60_000_000, data)


@pytest.mark.parametrize(
    ("amps", "motors", "total"),
    [
        ({"left": 5.0, "right": 7.0}, None, 12.0),
        ({"left": 5.0}, None, None),
        ({"left": 5.0}, 1, 5.0),
        ({"left": 5.0}, 2, None),
        ({"only": 5.0}, None, 5.0),
        ({"front": 5.0, "rear": 2.0}, None, 7.0),
        ({"first": 1.0, "second": 2.0, "third": 3.0}, None, 6.0),
        ({"first": 1.0, "second": 2.0, "third": 3.0}, 4, None),
        ({"left": 5.0, "right": 7.0}, 2, 12.0),
        ({"left": 5.0, "right": 7.0}, 4, None),
    ],
)
def test_the_current_of_all_motors(amps: dict[str, float], motors: int | None, total: float | None) -> None:
    profile = replace(load_profile(TOY), drive={} if motors is None else {"motors": motors})
    seen = signals(motor_current=amps)
    each = {m: seen.at(T, "motor_current", m) for m in motors_of(seen, motors)}
    found = total_current(each, profile)
    assert np.isnan(found).all() if total is None else (found == total).all()


def test_a_motor_that_loses_its_speed_is_found_among_three_and_alone() -> None:
    profile = load_profile(TOY)
    session = Session("V", "ride", 0, 60_000_000)
    three = signals(motor_speed={"first": 900.0, "second": 900.0, "third": 900.0})
    lost = three.series("motor_speed", "second").v
    lost[1000:1050] = 0.0
    found = encoder.SET.compute(session, three, profile)
    counts = {m.item: m.value for m in found.metrics if m.name == "encoder_dropout_count"}
    assert counts == {"first": 0.0, "second": 1.0, "third": 0.0}
    assert [e.item for e in found.events] == ["second"]


def test_faults_are_counted_for_every_motor() -> None:
    profile = load_profile(TOY)
    session = Session("V", "ride", 0, 60_000_000)
    seen = signals(motor_fault={"only": 4.0})
    found = controller.SET.compute(session, seen, profile)
    assert {(m.name, m.item, m.value) for m in found.metrics} >= {("fault_count", "only", 1.0)}
    assert found.events[0].data["bits"] == 4.0
