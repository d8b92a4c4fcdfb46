"""A rest near empty is known by its voltage; a stop of seconds on the way is no rest."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import pack_anchors
from herdbook.pipeline.vehicle.record import Event, Session
from herdbook.pipeline.vehicle.signals import Series, Signals


def anchors(*parts: tuple[float, float]) -> list[Event]:
    """Low anchors of a ride in parts of (seconds, A); groups stand at 2.99 V, less 2 mV an ampere."""
    amps = np.concatenate([np.full(int(10 * s), a) for s, a in parts])
    t = np.arange(amps.size, dtype=np.int64) * 100_000
    data = {("cell_voltage", k): Series(t, 2.99 - 0.002 * amps) for k in range(1, 5)}
    signals = Signals("x", 0, int(t[-1]) + 100_000, data | {("pack_current", ""): Series(t, amps)})
    return list(pack_anchors.SET.compute(Session("x", "ride", 0, signals.end), signals, profile()).events)


@pytest.mark.parametrize("stop_s", [3.0, 10.0])
def test_a_stop_on_the_way_is_no_rest(stop_s: float) -> None:
    assert not anchors((120.0, 20.0), (stop_s, 0.0))


def test_ten_minutes_after_the_ride_are_a_rest() -> None:
    found = anchors((120.0, 20.0), (600.0, 0.0))
    assert [e.item for e in found] == ["low"]
    assert found[0].data["se_pct"] <= 3.0


def test_what_a_session_begins_with_had_stood_before_it() -> None:
    found = anchors((5.0, 0.0), (120.0, 20.0))
    assert [e.item for e in found] == ["low"]
    assert found[0].start < 5_000_000
