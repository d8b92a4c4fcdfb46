"""A charge from 35 to 80 %: which group holds less, by the length of the curve's steps. The string is conftest's."""

from __future__ import annotations

from typing import Any

import pytest

from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.examples import one_session, profile, record
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.metrics import cell_capacity, measure
from herdbook.pipeline.vehicle.record import Event, Session

AH = 30.0


def found(signals: Any) -> dict[str, tuple[float, float]]:
    out = cell_capacity.SET.compute(Session("x", "charge", signals.start, signals.end), signals, profile()).metrics
    return {m.item: (m.value, m.se or 0.0) for m in out if m.name == "cell_capacity_share"}


def test_a_group_of_little_capacity_and_one_of_less_charge_are_told_apart(pack: Any, charge: Any) -> None:
    string = pack(soc=0.35, capacity={9: 0.82}, offset_ah={9: -0.18 * AH, 3: -1.2})
    shares = found(string.run(charge(0.35, to=0.8, amps=10.0), 0.5))
    assert shares["9"][0] == pytest.approx(0.82, abs=3 * shares["9"][1])
    assert shares["9"][1] < 0.06
    for item, (value, se) in shares.items():
        if item != "9":
            assert value == pytest.approx(1.0, abs=3 * se + 0.01), item


def test_a_weak_group_has_no_less_capacity(pack: Any, charge: Any) -> None:
    shares = found(pack(soc=0.35, r_factor={6: 2.0}).run(charge(0.35, to=0.8, amps=10.0), 0.5))
    assert shares["6"][0] == pytest.approx(1.0, abs=3 * shares["6"][1])


def test_a_short_charge_tells_nothing(pack: Any, charge: Any) -> None:
    assert not found(pack(soc=0.55).run(charge(0.55, to=0.63, amps=10.0), 0.5))


def test_charges_to_four_fifths_alone_name_the_group(pack: Any, charge: Any) -> None:
    """Nothing else is logged: neither full nor empty, nor a ride."""
    days = []
    for day in range(0, 12, 4):
        string = pack(soc=0.35, capacity={9: 0.78}, offset_ah={9: -0.22 * AH}, seed=day + 1)
        signals = string.run(charge(0.35, to=0.8, amps=10.0), 0.5)
        outcome = measure(Session("x", "charge", signals.start, signals.end), signals, profile())
        events = [Event(e.kind, e.start - signals.start, e.end - signals.start, e.item, e.data) for e in outcome.events]
        hours = (signals.end - signals.start) / 3.6e9
        days.append(one_session(day, "charge", *outcome.metrics, *events, hours=hours))
    said = {j.finding.item: j.finding for j in judge(record(*days)).findings if j.rule.id == "low_capacity_group"}
    assert set(said) == {"cell 9"}
    assert said["cell 9"].measured == pytest.approx(22.0, abs=3 * (said["cell 9"].se or 0.0))
    assert said["cell 9"].severity is Severity.SERVICE
