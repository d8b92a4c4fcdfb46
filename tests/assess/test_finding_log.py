"""What changed between two verdicts, told worst first."""

from __future__ import annotations

import pytest

from herdbook.pipeline.assess.finding_log import FindingChange, FormerFinding, Turn, changes_between
from herdbook.pipeline.assess.rows import FindingRow, finding_id
from herdbook.pipeline.health.severity import Severity


def stood(severity: str = "service", share: float = 0.3, item: str = "", vehicle: str = "a") -> FormerFinding:
    return FormerFinding(
        vehicle=vehicle,
        rule="r",
        item=item,
        severity=severity,
        measured=1.0,
        unit="V",
        statement="It was so.",
        share=share,
    )


def stands(severity: Severity = Severity.SERVICE, share: float = 0.3, item: str = "", vehicle: str = "a") -> FindingRow:
    return FindingRow(
        finding=finding_id(vehicle, "r", item),
        vehicle=vehicle,
        rule="r",
        title="A rule",
        subsystem="cells",
        severity=severity,
        item=item,
        statement="It is so.",
        measured=2.0,
        limit=1.5,
        unit="V",
        se=0.1,
        confidence=0.9,
        persistence=0.8,
        count=3,
        duration_s=60.0,
        first_t=100,
        last_t=200,
        windows=({"start_t": 100, "end_t": 200},),
        signals=("cell_voltage",),
        not_separable="cell or joint",
        meaning="",
        causes=(),
        bench=(),
        cautions=(),
        share=share,
        rule_set="x",
    )


def turns(old: list[FormerFinding], new: list[FindingRow]) -> list[Turn]:
    return [c.change for c in changes_between(old, new, {})]


@pytest.mark.parametrize(
    ("old", "new", "turn"),
    [
        ([], [stands()], [Turn.NEW]),
        ([stood()], [], [Turn.GONE]),
        ([stood()], [stands()], []),
        ([stood("note")], [stands()], [Turn.WORSE]),
        ([stood("stop-use")], [stands()], [Turn.BETTER]),
        ([stood("note", 0.9)], [stands(share=0.1)], [Turn.WORSE]),  # severity speaks before the share
        ([stood(share=0.3)], [stands(share=0.319)], []),
        ([stood(share=0.3)], [stands(share=0.321)], [Turn.WORSE]),
        ([stood(share=0.3)], [stands(share=0.281)], []),
        ([stood(share=0.3)], [stands(share=0.279)], [Turn.BETTER]),
        ([stood(item="cell 1")], [stands(item="cell 2")], [Turn.NEW, Turn.GONE]),  # an item is a finding of its own
    ],
)
def test_what_changed(old: list[FormerFinding], new: list[FindingRow], turn: list[Turn]) -> None:
    assert turns(old, new) == turn


def test_a_change_carries_what_is_measured_now() -> None:
    (change,) = changes_between([stood("note")], [stands()], {})
    assert change == FindingChange(
        vehicle="a",
        rule="r",
        item="",
        change=Turn.WORSE,
        severity="service",
        severity_before="note",
        unit="V",
        statement="It is so.",
        measured=2.0,
        limit=1.5,
        se=0.1,
        count=3,
        duration_s=60.0,
        first_t=100,
        last_t=200,
        not_separable="cell or joint",
    )


def test_what_is_gone_says_whether_it_could_be_looked_at() -> None:
    (healed,) = changes_between([stood()], [], {("b", "r"): "not this vehicle"})
    assert healed.statement == "no longer found; it was: It was so."
    assert (healed.severity, healed.severity_before, healed.measured) == ("service", "service", None)
    (unseen,) = changes_between([stood()], [], {("a", "r"): "no charge was recorded"})
    assert unseen.statement == "no longer assessed: no charge was recorded"


def test_worst_is_told_first() -> None:
    old = [stood("service", vehicle="b"), stood("service", 0.1, vehicle="c"), stood("service", 0.5, vehicle="d")]
    new = [
        stands(Severity.NOTE, vehicle="a"),
        stands(Severity.SERVICE, 0.3, vehicle="c"),
        stands(Severity.SERVICE, 0.3, vehicle="d"),
        stands(Severity.SERVICE, item="2", vehicle="e"),
        stands(Severity.SERVICE, item="1", vehicle="e"),
        stands(Severity.STOP_USE, vehicle="f"),
    ]
    told = [(c.vehicle, c.change.value, c.item) for c in changes_between(old, new, {})]
    assert told == [
        ("f", "new", ""),
        ("e", "new", "1"),
        ("e", "new", "2"),
        ("c", "worse", ""),
        ("b", "gone", ""),
        ("d", "better", ""),
        ("a", "new", ""),
    ]
