"""Self-discharge of every group, by hand: a group that sinks by 0.5 % of 30 Ah in two days loses 3.125 mA."""

from __future__ import annotations

import pytest

from herdbook.pipeline.health.examples import ExampleSession, one_session, record
from herdbook.pipeline.health.pack.leak import KNEE_STRETCH, self_discharge
from herdbook.pipeline.vehicle.record import Metric


def charges(step_pct: float, count: int = 6, every: float = 2.0, bled_ah: float = 0.0) -> list[ExampleSession]:
    """Charges in which group 4 sinks by step_pct each time; the balancer takes bled_ah from all other groups before."""
    out = []
    for k in range(count):
        parts = [
            Metric("cell_offset_top_pct", step_pct * k if g == 4 else 0.0, "%", 0.15, 500, item=str(g))
            for g in range(1, 6)
        ]
        parts += [Metric("cell_bled_ah", 0.0 if g == 4 else bled_ah, "Ah", item=str(g)) for g in range(1, 6)]
        out.append(one_session(every * k, "charge", *parts))
    return out


def test_a_sinking_group_in_milliampere() -> None:
    found, why = self_discharge(record(*charges(-0.5)))
    assert why == ""
    assert [loss.item for loss in found] == ["1", "2", "3", "4", "5"]
    leak, sound = found[3], found[0]
    assert leak.loss_ma == pytest.approx(0.005 * 30 / 48 * 1000)
    assert leak.se_ma > KNEE_STRETCH * leak.loss_ma
    assert sound.loss_ma == 0.0
    assert 0 < sound.se_ma < 1.0
    assert (leak.n, leak.days) == (6, 10.0)


def test_what_is_bled_from_the_others_is_added_back() -> None:
    """Held level only because the others lose 0.15 Ah before each charge: 0.15 Ah in 48 h are 3.125 mA."""
    found, _ = self_discharge(record(*charges(0.0, bled_ah=0.15)))
    assert found[3].loss_ma == pytest.approx(3.125)
    assert found[0].loss_ma == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("given", [{"count": 4}, {"every": 1.0}])
def test_too_few_or_too_near_says_what_it_takes(given: dict[str, float]) -> None:
    found, why = self_discharge(record(*charges(-0.5, **given)))  # type: ignore[arg-type]
    assert found == []
    assert "5 charges" in why
    assert "6 days" in why
