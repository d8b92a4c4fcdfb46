"""Every rule's own cases, and the form every rule is held to."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist
from typing import Any

import pytest

from herdbook.pipeline.assess.versions import rule_set_version
from herdbook.pipeline.health.engine import apply, judge, limits_of
from herdbook.pipeline.health.rule import NotAssessed, Record, Rule
from herdbook.pipeline.health.rule_form import lacking
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.severity import Severity, rank
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.vehicle.roles import ROLES

RULES = list(all_rules().values())
KINDS = ("fires_on", "quiet_on", "unassessed_on")
METRICS = {name for metric_set in all_sets().values() for name in metric_set.gives}
CASES = [(rule, record, kind) for rule in RULES for kind in KINDS for record in getattr(rule.cases(), kind)]


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


# rules whose certainty is that of events that were seen or counted; their error is of how often
BY_COUNT = {
    "charge_ends_early",
    "controller_resets",
    "encoder_dropout",
    "link_loss",
    "regen_refused_unexplained",
    "unasked_braking",
}


@pytest.mark.parametrize(
    ("rule", "record"), [(r, c) for r, c, kind in CASES if kind == "fires_on" and r.id not in BY_COUNT], ids=_ids
)
def test_a_finding_is_no_surer_than_its_value_lies_beyond_its_limit(rule: Rule, record: Record) -> None:
    """A page says both: how sure, and how many standard errors past the limit. The normal law joins them."""
    said = apply(rule, record)
    assert not isinstance(said, NotAssessed)
    for f in said:
        if f.se and f.limit is not None:
            assert f.confidence <= NormalDist().cdf(abs(f.measured - f.limit) / f.se) + 0.01


@pytest.mark.parametrize("rule", RULES, ids=_ids)
def test_rule_states_what_it_must(rule: Rule) -> None:
    assert not list(lacking(rule, METRICS))


ANY = all_rules()["hot_because_of_load"]
LIMIT = ANY.limits[0]
WHOLE = ANY.cases()


@pytest.mark.parametrize(
    ("missing", "word"),
    [
        ({"limits": (replace(LIMIT, unit=""),)}, f"limit {LIMIT.name}: its unit"),
        ({"limits": (replace(LIMIT, why=""),)}, f"limit {LIMIT.name}: why"),
        ({"limits": (LIMIT, LIMIT)}, "two have the same name"),
        ({"limits": ()}, "limits: every number"),
        ({"cases": lambda: replace(WHOLE, fires_on=())}, "under fires_on"),
        ({"cases": lambda: replace(WHOLE, quiet_on=())}, "under quiet_on"),
        ({"cases": lambda: replace(WHOLE, unassessed_on=())}, "under unassessed_on"),
        ({"cautions": ()}, "cautions: packs burn"),
        ({"source": ""}, "source: the paper"),
        ({"causes": ()}, "causes: likely ones"),
        ({"bench": ()}, "bench: what to measure"),
        ({"title": ""}, "title: in plain words"),
        ({"needs": ()}, "tell absence from health"),
        ({"needs": ("no_such_metric",)}, "no metric set gives no_such_metric"),
        ({"roles": ("no_such_role",)}, "no_such_role are not in"),
        ({"subsystem": "soul"}, "'soul' is none of"),
        ({"severity": "grave"}, "a member of Severity"),
    ],
)
def test_what_is_missing_is_said_in_one_line(missing: dict[str, Any], word: str) -> None:
    said = list(lacking(replace(ANY, **missing), METRICS))
    assert len(said) == 1, said
    assert word in said[0]


@pytest.mark.parametrize("rule", RULES, ids=_ids)
def test_findings_carry_their_evidence(rule: Rule) -> None:
    for record in rule.cases().fires_on:
        said = apply(rule, record)
        assert not isinstance(said, NotAssessed)
        assert len({f.item for f in said}) == len(said), "rule and item name a finding: one each"
        for finding in said:
            assert isinstance(finding.severity, Severity)
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
        for record in rule.cases().fires_on:
            first, second = judge(record), judge(record)
            assert [(j.rule.id, j.finding, j.share) for j in first.findings] == [
                (j.rule.id, j.finding, j.share) for j in second.findings
            ]
            assert first.scores == second.scores
    assert len(rule_set_version()) == 64
