"""Injected faults: they change what they should, from their onset on and not before."""

from __future__ import annotations

import numpy as np
import pytest

from demo_logs.causes import CAUSES
from demo_logs.draw import SIZES
from demo_logs.simulator import Fault, Outing, Vehicle, outings_of
from demo_logs.simulator.faults import BY_OUTINGS, DAY_US, KINDS, Active, leaked_ah
from demo_logs.simulator.trace import Trace
from herdbook.pipeline.vehicle.profile import load_profile
from tests.demo.conftest import DBC_DEMO, T0

ITEMS: dict[str, int | str] = {"": "", "cell": 3, "sensor": 2, "side": "left"}
ON_CHARGE = {
    "charger_stops_early",
    "balancer_stuck",
    "leaking_group",
    "imbalance",
    "low_capacity",
    "worn_pack",
}


def test_every_kind_has_sizes_and_causes() -> None:
    assert set(SIZES) == set(KINDS) == set(CAUSES)


def _traces(onset: int) -> list[list[Trace]]:
    """A sound vehicle and one for each fault, all of one seed, through a ride and a charge to full."""
    profile = load_profile(DBC_DEMO / "zirbel.toml")
    faults: list[tuple[Fault, ...]] = [()]
    faults += [(Fault(n, SIZES[n][-1], onset, ITEMS[KINDS[n][0]]),) for n in sorted(KINDS)]
    traces = []
    for kind, minutes, soc in (("ride", 1.5, 70.0), ("charge", 20.0, 92.0)):
        vehicles = [Vehicle("X", profile, 11, f, serial=5) for f in faults]
        outing = Outing(kind, T0 + 3 * DAY_US, minutes, soc_pct=soc)
        plan = [Outing("rest", T0, 1.0), outing]
        traces.append([trace for _, trace, _ in outings_of(vehicles, plan)])
    return traces


@pytest.fixture(scope="module")
def active() -> list[list[Trace]]:
    return _traces(T0 + DAY_US)


@pytest.mark.parametrize("name", sorted(set(KINDS) - BY_OUTINGS))
def test_fault_changes_the_truth(active: list[list[Trace]], name: str) -> None:
    trace = active[1 if name in ON_CHARGE else 0][1]
    column = 1 + sorted(KINDS).index(name)
    changed = [
        role for role, array in trace.data.items() if not np.array_equal(array[:, 0], array[:, column], equal_nan=True)
    ]
    assert changed, f"{name} leaves no trace"


def test_fault_to_come_changes_nothing() -> None:
    for pair in _traces(T0 + 30 * DAY_US):
        for trace in pair:
            for role, array in trace.data.items():
                same = np.broadcast_to(array[:, :1], array.shape)
                assert np.array_equal(array, same, equal_nan=True), role


def test_fault_grows_in_a_straight_line() -> None:
    fault = Fault("weak_group", 3.0, T0, 2, grow_days=10.0)
    for days, factor in ((-1, 1.0), (0, 1.0), (5, 2.0), (10, 3.0), (99, 3.0)):
        assert Active(((fault,),), (T0 + days * DAY_US,)).size("weak_group", (1, 2))[0].tolist() == [
            1.0,
            factor,
        ]


def test_leak_takes_current_times_time() -> None:
    """2.6 mA over ten days are 0.624 Ah."""
    lost = leaked_ah((Fault("leaking_group", 2.6, T0, 4),), 12, T0 - DAY_US, T0 + 10 * DAY_US)
    assert lost[3] == pytest.approx(0.624)
    assert lost.sum() == pytest.approx(0.624)


def test_unknown_fault_and_missing_item_are_refused() -> None:
    with pytest.raises(ValueError, match="not known"):
        Fault("gremlin", 1.0, 0)
    with pytest.raises(ValueError, match="needs item"):
        Fault("weak_group", 1.0, 0)
