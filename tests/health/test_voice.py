"""Whether to ride or charge is said by severity in one place, and by no rule beside it."""

from __future__ import annotations

import re

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.rule import NotAssessed, Rule
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.severity import Severity, rank
from herdbook.pipeline.health.voice import VOICES, gravest, order_of
from herdbook.pipeline.night.changes import SERVICE_NEWS, STOP_USE_NEWS
from herdbook.pipeline.night.messages import CAUTION
from herdbook.pipeline.reports.words import cautions

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
def test_a_rule_never_says_worse_than_it_states(rule: Rule) -> None:
    said = {
        f.severity for record in rule.cases().fires_on if isinstance(found := apply(rule, record), list) for f in found
    }
    assert max(map(rank, said)) <= rank(rule.severity)
    assert rule.severity in said, f"no example of {rule.id} is {rule.severity}"


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
