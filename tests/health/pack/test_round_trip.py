"""Energy out over energy in from one full charge to the next: by hand, and refused where the record has a hole."""

from __future__ import annotations

import pytest

from herdbook.pipeline.health.examples import FIRST_DAY, record
from herdbook.pipeline.health.pack.round_trip import round_trips
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.times import DAY, HOUR, micros
from tests.health.pack.trips import full, session, soc, trip


def why_not(rec: Record) -> str:
    found, why = round_trips(rec.metrics, rec.events)
    assert found == []
    return why


def test_a_trip_by_hand() -> None:
    """After `full` 50 Wh more go in, then 1100 out and 200 back while riding, then 1000 in until full again."""
    rec = trip(session(1, "ride", 1100, 200, *soc(100, 30)))
    found, why = round_trips(rec.metrics, rec.events)
    assert why == ""
    assert [(t.out_wh, t.in_wh) for t in found] == [(1100.0, 1250.0)]
    assert found[0].value == pytest.approx(0.88)
    first = micros(FIRST_DAY) + HOUR // 2
    assert (found[0].start, found[0].end) == (first, first + 9 * DAY)


@pytest.mark.parametrize(
    ("rides", "word"),
    [
        ([session(1, "ride", 1100, 200, *soc(100, 30), whole=0.9)], "a session is recorded to 90 % only"),
        ([session(1, "ride", 1100, 200, *soc(100, 45))], "moved by 15 % while nothing was recorded"),
        ([session(1, "ride", 1100, 200)], "does not report its charge"),  # nobody knows what happened in between
    ],
)
def test_round_trip_is_refused_where_the_record_has_a_hole(rides: list[object], word: str) -> None:
    said = why_not(trip(*rides))
    assert word in said
    assert said.endswith("needed are the logs of every ride and charge from one charge to full to the next")


def test_round_trip_says_how_many_full_charges_there_are() -> None:
    assert why_not(record(session(0, "charge", 0, 1500, *soc(3, 90)))).startswith("no charge")  # type: ignore[arg-type]
    one = record(session(0, "charge", 0, 1500, full(0, 1450), *soc(3, 100)))  # type: ignore[arg-type]
    assert why_not(one).startswith("only one charge to full")


def test_round_trip_counts_the_reasons() -> None:
    parts = [session(9 * k, "charge", 0, 1500, full(0, 1450), *soc(low, 100)) for k, low in enumerate((3, 40, 30, 20))]
    said = why_not(record(*parts))  # type: ignore[arg-type]
    assert "the reported charge moved by 60 to 80 % while nothing was recorded (3 of 3)" in said


def test_round_trip_needs_a_deep_one() -> None:
    """In a trip of 150 Wh out of 1500 the anchors' scatter is a seventh of the energy."""
    first = session(0, "charge", 0, 1500, full(0, 1500), *soc(3, 100))
    last = session(9, "charge", 0, 170, full(0, 160), *soc(89, 100))
    said = why_not(record(first, session(1, "ride", 150, 0, *soc(100, 90)), last))  # type: ignore[arg-type]
    assert "only 11 % of the pack's charge went round" in said
