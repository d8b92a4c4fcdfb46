"""The path outside the groups held against the fleet: metal does not change with the groups' warmth, which moves their
share and says nothing of whether a joint is bad."""

from __future__ import annotations

import polars as pl
import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.rule import Finding, NotAssessed
from herdbook.pipeline.health.rules import resistance_outside_groups
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.record import REFERENCE, Event, Metric

GROUPS = (2.85, 2.95, 3.89)  # mOhm: the third ride was a cold one


def told(path: float, groups: tuple[float, ...] = GROUPS, spread: float = 0.4) -> Finding | None:
    rides = [
        one_session(
            day,
            "ride",
            Metric("pack_path_mohm", path + 0.1 * (day - 1), "mOhm", 0.2, 4000),
            Metric("group_r_load_mohm", r, "mOhm", 0.1, 4000),
        )
        for day, r in enumerate(groups)
    ]
    row = ("pack_path_mohm", "ride", 2.2, spread, "mOhm", 20)
    held = record(*rides, reference=pl.DataFrame([row], schema=REFERENCE, orient="row"))
    said = apply(resistance_outside_groups.RULE, held)
    assert not isinstance(said, NotAssessed)
    return next(iter(said), None)


@pytest.mark.parametrize(("path", "says"), [(15.8, Severity.SERVICE), (6.5, Severity.NOTE), (4.5, None), (3.0, None)])
def test_a_joint_is_told_though_its_share_moves_with_the_warmth(path: float, says: Severity | None) -> None:
    """15.8 mOhm is 34 spreads beyond the fleet's 2.2, and four groups' worth: 6.5 is one group's worth and more."""
    found = told(path)
    assert (found and found.severity) == says
    if found is not None:
        assert found.confidence > (0.99 if says is Severity.SERVICE else 0.8)
        assert "the fleet's have 2.2 mΩ there" in found.statement


def test_a_wire_that_reads_a_group_wrongly_is_no_joint() -> None:
    """The groups' sum is wrong then, and with it what the pack's voltage has beside it."""
    parts = (Metric("pack_path_mohm", 15.8, "mOhm", 0.2, 4000), Metric("group_r_load_mohm", 2.9, "mOhm", 0.1, 4000))
    low = {"extreme_v": 2.3, "limit_v": 2.5, "median_v": 3.2, "neighbour_v": 4.1, "neighbour": 4.0}
    wire = Event("group_under_voltage", 0, 1_000_000, "3", {**low, "beyond_v": 0.2, "current_a": 0.0})
    said = apply(resistance_outside_groups.RULE, record(*(one_session(d, "ride", *parts, wire) for d in range(3))))
    assert isinstance(said, NotAssessed)
    assert "mend the wire first" in said.reason


def test_where_sound_ones_differ_as_much_nothing_is_said() -> None:
    assert told(6.5, spread=2.0) is None
