"""Reported charge against an anchor: only where the report stands beside it in time."""

from __future__ import annotations

import pytest

from herdbook.pipeline.health.examples import ExampleSession, one_session, record
from herdbook.pipeline.health.pack.charge_off import readings_off
from herdbook.pipeline.vehicle.record import Event, Metric

S = 1_000_000


def charge(day: float, at_s: int, start: float = 10.0, end: float = 97.0, item: str = "full") -> ExampleSession:
    """An hour's charge with an anchor of 100 %, at_s after its start, and reported charge at both ends."""
    anchor = Event("charge_anchor", (at_s - 1) * S, at_s * S, item, {"soc_pct": 100.0, "se_pct": 1.0})
    return one_session(
        day, "charge", Metric("pack_soc_start_pct", start, "%"), Metric("pack_soc_end_pct", end, "%"), anchor
    )


@pytest.mark.parametrize(
    ("at_s", "gaps"),
    [
        (3600, [-3.0]),  # at the end: 97 reported
        (2701, [-3.0]),
        (2699, []),  # more than a quarter of an hour before the end: nobody knows what was reported
        (121, []),
        (119, [-90.0]),  # at the start: 10 reported
    ],
)
def test_an_anchor_is_held_against_the_report_beside_it(at_s: int, gaps: list[float]) -> None:
    assert readings_off(record(charge(0, at_s)), 45.0)["gap"].to_list() == gaps


def test_the_newest_days_alone_are_read() -> None:
    seen = record(charge(0, 3600, end=90.0), charge(40, 3600, end=95.0), charge(50, 3600, end=99.0))
    assert readings_off(seen, 45.0)["gap"].to_list() == [-5.0, -1.0]
    assert readings_off(seen, 60.0)["gap"].to_list() == [-10.0, -5.0, -1.0]


def test_without_an_anchor_or_a_report_there_is_nothing() -> None:
    assert readings_off(record(one_session(0, "charge", Metric("pack_soc_end_pct", 97.0, "%"))), 45.0).height == 0
    assert readings_off(record(), 45.0).height == 0
