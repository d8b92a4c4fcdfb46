"""A group out of balance: that it is off and how far are two questions, and two readings of one fact are joined."""

from __future__ import annotations

from dataclasses import replace

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.pack.string import NONE
from herdbook.pipeline.health.rule import Finding, NotAssessed, Record
from herdbook.pipeline.health.rules import out_of_balance
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.science.string_fit import Weighed, Why
from herdbook.pipeline.vehicle.record import Metric


def charges(*readings: tuple[float, float]) -> Record:
    """Readings of group 4 at full, %, with their errors; groups 1 to 3 stand level."""
    sessions = []
    for day, (value, se) in enumerate(readings):
        rows = [Metric("cell_offset_top_pct", 0.0, "%", 0.4, 500, item=str(k)) for k in range(1, 4)]
        rows += [Metric("cell_offset_rows", 500.0, "1", None, 500)]
        sessions.append(one_session(day, "charge", *rows, Metric("cell_offset_top_pct", value, "%", se, 500, item="4")))
    return record(*sessions)


def told(held: Record) -> Finding:
    said = apply(out_of_balance.RULE, held)
    assert not isinstance(said, NotAssessed)
    return said[0]


@pytest.mark.parametrize(
    ("readings", "says"),
    [
        (((-5.2, 0.9), (-6.5, 0.5)), Severity.SERVICE),  # 6.0 +- 1.2: 4 errors past 1.2, and twice what is acted on
        (((2.0, 0.1), (2.1, 0.1)), Severity.NOTE),  # surely off, and surely by less
    ],
)
def test_a_group_that_is_surely_off_by_as_much_is_acted_on(
    readings: tuple[tuple[float, float], ...], says: Severity
) -> None:
    assert told(charges(*readings)).severity is says


@pytest.mark.parametrize(("cause", "says"), [(Why.CHARGE, Severity.SERVICE), (Why.LEAK, Severity.NOTE)])
def test_the_whole_record_speaks_where_the_end_was_read_once(
    cause: Why, says: Severity, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One reading at full leaves a note; a record that is sure by itself of a difference in charge is acted on. What
    it takes for a leak is told as a leak, and not as service beside it."""
    weighed = Weighed({"": 1e-9, **dict.fromkeys(Why, 0.0), cause: 0.99}, cause, -0.06, 0.02, 0.0, -0.06, 0.02)
    fit = replace(NONE, groups={"4": weighed}, looked=frozenset("1234"), again=frozenset("4"), pieces=30, days=20.0)
    monkeypatch.setattr(out_of_balance, "string_fit", lambda _: fit)
    monkeypatch.setattr("herdbook.pipeline.health.rules._string_words.string_fit", lambda _: fit)
    monkeypatch.setattr("herdbook.pipeline.health.pack.string.StringFit.could_show", lambda *_: True)
    assert told(charges((-5.1, 1.9))).severity is says
