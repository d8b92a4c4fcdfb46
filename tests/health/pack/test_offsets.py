"""Readings near full with resistance taken out: by the ratio rides show now, times the pack's own resistance."""

from __future__ import annotations

import pytest

from herdbook.pipeline.health.examples import ExampleSession, one_session, record
from herdbook.pipeline.health.pack.capacity import capacities
from herdbook.pipeline.health.pack.offsets import PACK_SPREAD, offsets
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.vehicle.record import Event, Metric

LEAN = 8.0  # % of charge for as much resistance again


def _ride(day: float, ratio: float, se: float, load_mohm: float) -> ExampleSession:
    groups = [Metric("cell_r_ratio", ratio if k == 4 else 1.0, "1", se, 900, item=str(k)) for k in range(1, 5)]
    return one_session(day, "ride", *groups, Metric("group_r_load_mohm", load_mohm, "mOhm", 0.02, 900))


def _charge(day: float, pct: float) -> ExampleSession:
    parts = []
    for k in range(1, 5):
        item = str(k)
        parts.append(Metric("cell_offset_top_pct", pct if k == 4 else 0.0, "%", 1.3, 500, item=item))
        parts.append(Metric("cell_offset_top_lean_pct", LEAN, "%", None, 500, item=item))
    return one_session(day, "charge", *parts)


def _record(pct: float, *ratios: tuple[float, float], load_mohm: float = 3.0) -> Record:
    rides = [_ride(7 * k + 1, ratio, se, load_mohm) for k, (ratio, se) in enumerate(ratios)]
    return record(*rides, *(_charge(7 * k + 5, pct) for k in range(len(ratios))), pack={"charger_a": 20.0})


def test_the_correction_goes_by_the_packs_own_resistance() -> None:
    """A tenth more resistance in a pack of 3 mOhm a group, where 2 are usual: 8 % x 0.1 x 1.5, and its error once."""
    found = offsets(_record(2.0, *[(1.1, 0.001)] * 3), "top", 60.0)["4"]
    assert found.values == pytest.approx(2.0 - LEAN * 1.5 * 0.1)
    assert found.shared == pytest.approx(LEAN * 1.5 * (0.03**2 + (PACK_SPREAD * 0.1) ** 2) ** 0.5)


def test_a_group_that_hides_its_knee_has_no_reading_there() -> None:
    """2.5 times 3 mOhm at 20 A: 90 mV too much. The others keep theirs."""
    found = offsets(_record(25.0, *[(2.5, 0.05)] * 4), "top", 60.0)
    assert set(found) == {"1", "2", "3"}


def test_the_ratio_is_that_of_the_newest_rides_however_sure_the_older_ones_were() -> None:
    found = offsets(_record(25.0, *[(1.0, 0.0005)] * 3, *[(2.5, 0.05)] * 4), "top", 60.0)
    assert "4" not in found


def test_no_capacity_from_a_rest_below_the_end_of_the_table() -> None:
    low, full = (
        Event("charge_anchor", t, t + 1, item, {"soc_pct": soc, "se_pct": 0.3, "run_ah": ah})
        for t, item, soc, ah in ((0, "low", 0.0, 0.0), (3_500_000_000, "full", 100.0, -29.0))
    )
    assert not capacities(record(one_session(0, "charge", Metric("pack_run_ah", -29.0, "Ah", None, 9000), low, full)))
