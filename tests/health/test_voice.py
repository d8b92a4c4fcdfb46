"""Whether to ride or charge is said by severity in one place, and by no rule beside it."""

from __future__ import annotations

import re

import pytest

from herdbook.pipeline.health.engine import SURE, apply
from herdbook.pipeline.health.rule import NotAssessed, Rule
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.severity import Severity, rank
from herdbook.pipeline.health.voice import VOICES, gravest, order_of
from herdbook.pipeline.night.changes import SERVICE_NEWS, STOP_USE_NEWS
from herdbook.pipeline.night.messages import CAUTION
from herdbook.pipeline.reports.words import cautions, names

ORDERS = re.compile(
    r"\b(do not|don't|must not be|may not be) (ride|ridden|use|used|drive|driven|charge (it|the pack|again|until))\b",
    re.I,
)


def texts(rule: Rule) -> list[str]:
    return [rule.meaning, *rule.causes, *rule.bench, *rule.cautions]


@pytest.mark.parametrize("rule", all_rules().values(), ids=lambda r: r.id)
def test_no_rule_orders_what_its_severity_does_not(rule: Rule) -> None:
    said = list(texts(rule))
    for record in rule.cases().fires_on:
        findings = apply(rule, record)
        assert not isinstance(findings, NotAssessed)
        said += [f.statement for f in findings] + [f.not_separable for f in findings]
    assert [t for t in said if ORDERS.search(t)] == []


@pytest.mark.parametrize("rule", all_rules().values(), ids=lambda r: r.id)
def test_a_rule_says_the_severities_that_it_states(rule: Rule) -> None:
    """One that is less sure of itself than its severity asks for is told a step lower, by the engine."""
    stated = [severity for severity, _ in rule.when] or [rule.severity]
    assert stated == sorted(stated, key=rank, reverse=True)
    assert stated[0] is rule.severity
    records = rule.cases().fires_on
    found = [f for record in records if isinstance(said := apply(rule, record), list) for f in said]
    assert rule.severity in {f.severity for f in found}, f"no example of {rule.id} is {rule.severity}"
    sure = [f for f in found if f.confidence >= max(SURE.values())]
    assert {f.severity for f in sure} <= set(stated)


@pytest.mark.parametrize("rule", [r for r in all_rules().values() if r.when], ids=lambda r: r.id)
def test_conditions_name_limits_that_the_rule_has(rule: Rule) -> None:
    named = {name for _, words in rule.when for name in re.findall(r"`(\w+)`", words)}
    assert named <= {limit.name for limit in rule.limits}


def test_only_stop_use_forbids_riding_and_it_always_does() -> None:
    assert [s for s in Severity if ORDERS.search(VOICES[s].order)] == [Severity.STOP_USE]
    assert order_of("stop-use") in CAUTION


def test_exit_codes_follow_the_severity() -> None:
    assert (VOICES[Severity.NOTE].exit_code, SERVICE_NEWS, STOP_USE_NEWS) == (0, 10, 20)


@pytest.mark.parametrize("severity", ["note", "service", "stop-use"])
@pytest.mark.parametrize(
    "subsystem", ["braking", "drive", "cells", "thermal", "pack", "charging", "remote link", "data"]
)
def test_cautions_forbid_riding_exactly_when_the_severity_does(subsystem: str, severity: str) -> None:
    said = " ".join(c.text for c in cautions.for_findings([{"subsystem": subsystem, "severity": severity}]))
    assert ("Do not ride" in said) == (severity == "stop-use")
    assert (order_of(severity) in said) == (severity != "note")


def test_the_gravest_of_none_is_none() -> None:
    assert gravest([]) is None
    assert gravest(["note", "stop-use", "service"]) is Severity.STOP_USE


@pytest.mark.parametrize("rule", all_rules().values(), ids=lambda r: r.id)
def test_sentences_are_in_words_and_signs_that_people_read(rule: Rule) -> None:
    """No internal spelling of a unit, no plural in brackets, no word of ours for a braking event."""
    said = [rule.title, *texts(rule), *(words for _, words in rule.when)]
    for record in (*rule.cases().fires_on, *rule.cases().unassessed_on):
        found = apply(rule, record)
        said += [names.reason(found.reason)] if isinstance(found, NotAssessed) else [f.statement for f in found]
    wrong = re.compile(r"\bdegC\b|\bm?[oO]hm\b|\buA\b|\(s\)|\bbrakings\b|_[a-z]+_")
    assert [t for t in said if wrong.search(re.sub(r"`\w+`", "", t))] == []
