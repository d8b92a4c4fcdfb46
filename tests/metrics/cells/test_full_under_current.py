"""A charge that is ended under current is as good as full where the middle group stands beyond its knee."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import pack_anchors
from herdbook.pipeline.vehicle.record import Event, Session
from herdbook.pipeline.vehicle.signals import Series


def full(pack: Any, charge: Any, to: float, amps: float, warm_c: float | None = 25.0) -> list[Event]:
    signals = pack(soc=0.7).run(charge(0.7, to=to, amps=amps), 0.5)
    for item in signals.items("cell_temp"):
        old = signals.data.pop(("cell_temp", item))
        if warm_c is not None:
            signals.data["cell_temp", item] = Series(old.t, np.full(old.t.size, warm_c))
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


@pytest.mark.parametrize("warm_c", [-6.0, None])
def test_in_the_cold_the_drop_is_not_known_well_enough(pack: Any, charge: Any, warm_c: float | None) -> None:
    """At -6 degC a group's resistance is about four times that at 25: it stands as high long before it is full."""
    assert full(pack, charge, to=1.02, amps=9.0)
    assert not full(pack, charge, to=1.02, amps=9.0, warm_c=warm_c)
