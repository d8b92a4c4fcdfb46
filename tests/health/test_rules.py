"""Every rule's own cases, and the form every rule is held to."""

from __future__ import annotations

import pytest

from herdbook.pipeline.assess.versions import rule_set_version
from herdbook.pipeline.health.engine import apply, judge, limits_of
from herdbook.pipeline.health.rule import NotAssessed, Record, Rule
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.severity import SUBSYSTEMS, Severity, rank
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.vehicle.roles import ROLES

RULES = list(all_rules().values())
CASES = [
    (rule, record, kind)
    for rule in RULES
    for kind in ("fires_on", "quiet_on", "unassessed_on")
    for record in getattr(rule, kind)()
]


def _ids(value: object) -> str | None:
    return value.id if isinstance(value, Rule) else value if isinstance(value, str) else ""


@pytest.mark.parametrize(("rule", "record", "kind"), CASES, ids=_ids)
def test_rule_agrees_with_its_own_examples(rule: Rule, record: Record, kind: str) -> None:
    said = apply(rule, record)
    if kind == "unassessed_on":
        assert isinstance(said, NotAssessed), said
        assert said.reason
        return
    assert not isinstance(said, NotAssessed), said.reason
    assert bool(said) == (kind == "fires_on"), said


@pytest.mark.parametrize("rule", RULES, ids=_ids)
def test_rule_states_what_it_must(rule: Rule) -> None:
    assert rule.subsystem in SUBSYSTEMS
    assert isinstance(rule.severity, Severity)
    assert rule.title
    assert rule.meaning
    assert rule.source
    assert rule.causes
    assert rule.bench
    assert rule.limits
    assert all(limit.unit and limit.why for limit in rule.limits)
    assert len({limit.name for limit in rule.limits}) == len(rule.limits)
    assert set(rule.roles) <= set(ROLES)
    assert rule.fires_on()
    assert rule.quiet_on()
    assert rule.unassessed_on()
    if rule.severity == "stop-use" or rule.subsystem in ("thermal", "braking"):
        assert rule.cautions, "packs burn and brakes fail: say what to be careful of"


@pytest.mark.parametrize("rule", RULES, ids=_ids)
def test_needs_exist(rule: Rule) -> None:
    given = {name for metric_set in all_sets().values() for name in metric_set.gives}
    assert set(rule.needs) <= given, "no metric set gives this"
    assert rule.needs, "a rule that needs nothing cannot tell absence from health"


@pytest.mark.parametrize("rule", RULES, ids=_ids)
def test_findings_carry_their_evidence(rule: Rule) -> None:
    for record in rule.fires_on():
        said = apply(rule, record)
        assert not isinstance(said, NotAssessed)
        assert len({f.item for f in said}) == len(said), "rule and item name a finding: one each"
        for finding in said:
            assert rank(finding.severity) <= rank(rule.severity)
            assert finding.windows
            assert len(finding.windows) <= 10
            assert all(w.start <= w.end for w in finding.windows)
            assert 0.0 < finding.confidence <= 1.0
            assert 0.0 <= finding.persistence <= 1.0
            assert finding.unit
            assert any(c.isdigit() for c in finding.statement), "a statement carries its numbers"
            assert set(finding.signals) <= set(ROLES)
            assert finding.signals
            assert "fails" not in finding.statement, "telemetry is not a brake test"


@pytest.mark.parametrize("rule", RULES, ids=_ids)
def test_the_profile_can_move_every_limit(rule: Rule) -> None:
    moved = {f"{rule.id}.{limit.name}": limit.value + 1.0 for limit in rule.limits}
    assert limits_of(rule, moved) == {limit.name: limit.value + 1.0 for limit in rule.limits}


def test_a_verdict_is_the_same_every_time() -> None:
    for rule in RULES:
        for record in rule.fires_on():
            first, second = judge(record), judge(record)
            assert [(j.rule.id, j.finding, j.share) for j in first.findings] == [
                (j.rule.id, j.finding, j.share) for j in second.findings
            ]
            assert first.scores == second.scores
    assert len(rule_set_version()) == 64
