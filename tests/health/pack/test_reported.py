"""What a reported charge is worth: set right where a charge ran to full, nothing after it fell without a current."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.examples import ExampleSession, one_session, record
from herdbook.pipeline.health.pack.reported import places
from herdbook.pipeline.times import DAY
from herdbook.pipeline.vehicle.record import Event

AH = 30.0


def charge_to_full(day: float, put_in: float) -> ExampleSession:
    full = Event("charge_anchor", 3_000_000_000, 3_000_000_000, "full", {"soc_pct": 100.0, "run_ah": -put_in * AH})
    return one_session(day, "charge", full)


def test_a_report_that_nothing_speaks_against_is_taken_as_it_is() -> None:
    session = np.repeat(np.arange(2) * DAY, 3)
    run = np.tile([0.0, 0.05, 0.10], 2)
    said = np.array([0.8, 0.75, 0.70, 0.6, 0.55, 0.50])
    found = places(record(one_session(0, "ride")), session, said, run)
    assert [found[k].start for k in (0, DAY)] == pytest.approx([0.8, 0.6])
    assert all(p.se == pytest.approx(0.03) for p in found.values())


def test_a_charge_to_full_that_reports_a_third_sets_it_right_from_there_on() -> None:
    held = record(charge_to_full(0, 0.30), one_session(1, "ride"))
    starts = [int(t.timestamp() * 1e6) for t in held.sessions["start_t"]]
    session = np.array([starts[0]] * 3 + [starts[1]] * 2)
    run = np.array([0.0, -0.15, -0.30, 0.0, 0.1])
    said = np.array([0.05, 0.20, 0.35, 0.35, 0.25])
    found = places(held, session, said, run)
    assert found[starts[0]].start == pytest.approx(0.70)
    assert found[starts[0]].se < 0.03
    assert found[starts[1]].start == pytest.approx(1.0)


def test_a_report_that_falls_without_a_current_says_nothing_until_it_is_set_anew() -> None:
    session = np.repeat(np.arange(3) * DAY, 3)
    run = np.tile([0.0, 0.02, 0.04], 3)
    said = np.array([0.60, 0.58, 0.03, 0.02, 0.02, 0.02, 0.99, 0.97, 0.95])
    found = places(record(one_session(0, "ride")), session, said, run)
    assert found[0].start == pytest.approx(0.6)
    assert not found[DAY].se < 0.2
    assert found[2 * DAY].start == pytest.approx(0.99)
