"""A charge that is ended under current is as good as full where the middle group stands beyond its knee."""

from __future__ import annotations

from typing import Any

import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import pack_anchors
from herdbook.pipeline.vehicle.record import Event, Session


def full(pack: Any, charge: Any, to: float, amps: float) -> list[Event]:
    signals = pack(soc=0.7).run(charge(0.7, to=to, amps=amps), 0.5)
    session = Session("x", "charge", signals.start, signals.end)
    return [e for e in pack_anchors.SET.compute(session, signals, profile()).events if e.item == "full"]


def test_a_charge_ended_beyond_the_knee_is_full_with_an_error_of_its_own(pack: Any, charge: Any) -> None:
    found = full(pack, charge, to=1.03, amps=9.0)
    assert len(found) == 1
    assert found[0].data["soc_pct"] == pytest.approx(99.0, abs=1.0)
    assert found[0].data["se_pct"] == pytest.approx(2.0)


@pytest.mark.parametrize(("to", "amps"), [(0.90, 9.0), (0.94, 9.0), (0.90, 20.0)])
def test_a_charge_ended_on_the_plateau_is_not(pack: Any, charge: Any, to: float, amps: float) -> None:
    assert not full(pack, charge, to=to, amps=amps)
