"""The engine over rules made for the purpose: what is asked, in which order findings come, and who could not judge."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from herdbook.pipeline.health.engine import apply, failed_measuring, judge, limits_of, rule_set_json
from herdbook.pipeline.health.examples import days, one_session, profile, record
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, Window
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.severity import SUBSYSTEMS, Severity
from herdbook.pipeline.vehicle.record import FAILED, Event, Metric

KNOWN = record(one_session(0, "ride", Metric("braking_count", 4.0, "1")))


def found(severity: Severity = Severity.SERVICE, item: str = "", confidence: float = 1.0, windows: int = 1) -> Finding:
    return Finding(
        severity=severity,
        item=item,
        measured=2.0,
        limit=1.0,
        unit="1",
        statement="2 is over 1",
        confidence=confidence,
        windows=tuple(Window(k, k + 1) for k in range(windows)),
    )


def rule(
    name: str, *findings: Finding, subsystem: str = "cells", needs: tuple[str, ...] = (), refuses: str = ""
) -> Rule:
    def say(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
        return NotAssessed(refuses) if refuses else list(findings)

    return Rule(
        id=name,
        title=name,
        subsystem=subsystem,
        severity=Severity.STOP_USE,
        needs=needs,
        roles=("pack_current", "cell_voltage"),
        limits=(Limit("look", 1.0, "A", "engineering choice"), Limit("act", 2.0, "A", "engineering choice")),
        judge=say,
        meaning="",
        causes=(),
        bench=(),
        cautions=(),
        source="",
        cases=lambda: Cases((), (), ()),
    )


def test_worst_comes_first_then_what_takes_most_then_by_name() -> None:
    rules = [
        rule("a", found(Severity.NOTE), found(Severity.SERVICE, "2", 0.85), found(Severity.SERVICE, "1", 0.85)),
        rule("b", found(Severity.SERVICE, "", 0.95), subsystem="pack"),
        rule("c", found(Severity.STOP_USE, "", 0.9)),
        rule("0", found(Severity.SERVICE, "9", 0.85)),
    ]
    said = [(j.rule.id, j.finding.item) for j in judge(KNOWN, rules).findings]
    assert said == [("c", ""), ("b", ""), ("0", "9"), ("a", "1"), ("a", "2"), ("a", "")]


def test_one_rules_findings_come_worst_first() -> None:
    said = apply(
        rule(
            "a",
            found(Severity.NOTE, "n"),
            found(Severity.SERVICE, "s", 0.82),
            found(Severity.SERVICE, "t", 0.9),
            found(Severity.SERVICE, "r", 0.82),
            found(Severity.STOP_USE, "u"),
        ),
        KNOWN,
    )
    assert not isinstance(said, NotAssessed)
    assert [f.item for f in said] == ["u", "t", "r", "s", "n"]


@pytest.mark.parametrize(("given", "kept"), [(1, 1), (9, 9), (10, 10), (11, 10), (30, 10)])
def test_a_finding_keeps_its_ten_worst_windows(given: int, kept: int) -> None:
    said = apply(rule("a", found(windows=given)), KNOWN)
    assert not isinstance(said, NotAssessed)
    assert said[0].windows == tuple(Window(k, k + 1) for k in range(kept))


@pytest.mark.parametrize(
    ("severity", "confidence", "said"),
    [
        (Severity.STOP_USE, 0.95, Severity.STOP_USE),
        (Severity.STOP_USE, 0.89, Severity.SERVICE),
        (Severity.STOP_USE, 0.6, Severity.NOTE),
        (Severity.SERVICE, 0.8, Severity.SERVICE),
        (Severity.SERVICE, 0.79, Severity.NOTE),
        (Severity.NOTE, 0.1, Severity.NOTE),
    ],
)
def test_a_finding_is_no_more_severe_than_its_confidence_bears(
    severity: Severity, confidence: float, said: Severity
) -> None:
    findings = apply(rule("a", found(severity, confidence=confidence)), KNOWN)
    assert not isinstance(findings, NotAssessed)
    assert [f.severity for f in findings] == [said]


def test_each_finding_carries_the_share_it_takes() -> None:
    verdict = judge(KNOWN, [rule("a", found(Severity.SERVICE, confidence=0.9), found(Severity.STOP_USE, "x"))])
    assert [j.share for j in verdict.findings] == [0.9, pytest.approx(0.36)]
    assert verdict.scores["cells"].score == pytest.approx(100 * 0.1 * 0.64)


def test_findings_and_refusals_count_in_their_own_subsystem() -> None:
    rules = [
        rule("a", found(Severity.SERVICE)),
        rule("b"),
        rule("c", refuses="no data"),
        rule("d", subsystem="pack"),
        rule("e", subsystem="braking", refuses="none"),
    ]
    verdict = judge(KNOWN, rules)
    assert list(verdict.scores) == list(SUBSYSTEMS)
    told = {name: (s.score, s.judged, s.total) for name, s in verdict.scores.items() if s.total}
    assert told == {"cells": (pytest.approx(60.0), 2, 3), "pack": (100.0, 1, 1), "braking": (None, 0, 1)}
    assert [(r.rule.id, r.reason) for r in verdict.not_assessed] == [("c", "no data"), ("e", "none")]


def test_no_score_while_a_rule_that_matters_waits_for_more_of_a_log() -> None:
    open_still = rule("c", refuses="only 2 rides")
    verdict = judge(KNOWN, [rule("a"), rule("b"), open_still])
    said = verdict.scores["cells"]
    assert said.score is None
    assert "“c” could not be judged" in said.reason
    assert said.reason.endswith("log charges to their end, with the rest after them")
    own = judge(KNOWN, [rule("a"), rule("b"), replace(open_still, habit="a week of rides")]).scores["cells"]
    assert own.reason.endswith("log a week of rides")
    fleet = judge(KNOWN, [rule("a"), rule("c", refuses="no fleet reference yet")]).scores["cells"]
    assert "five vehicles of the type" in fleet.reason


def test_no_score_stands_on_a_note_that_would_weigh_much_were_it_surer() -> None:
    """A service word of chance 0.6 is said as a note: a hundred less a note's three would call it sound."""
    unsure, small = rule("a", found(confidence=0.6)), rule("b", found(Severity.NOTE))
    said = judge(KNOWN, [unsure, small, rule("c")]).scores["cells"]
    assert said.score is None
    assert said.reason == "“a”: noted, and not settled yet"
    assert judge(KNOWN, [small, rule("c")]).scores["cells"].score == pytest.approx(97.0)
    beside = judge(KNOWN, [unsure, rule("c", found())]).scores["cells"].score
    assert beside is not None
    assert beside < 61.0


def test_no_log_is_asked_for_where_none_would_help() -> None:
    """A rule that failed, and one whose role is in doubt, wait for Herdbook and for the profile."""

    def slips(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
        raise ValueError("x")

    failed = judge(KNOWN, [rule("a"), rule("b"), replace(rule("c"), judge=slips)]).scores["cells"]
    assert failed.reason == (
        "“c” could not be judged; a fault of Herdbook itself, ValueError: x; the other rules stand"
    )
    other = [replace(rule(name), roles=("brake_demand",)) for name in ("a", "b")]
    doubt = "the sign of the pack current contradicts the voltage"
    doubted = judge(replace(KNOWN, doubts={"pack_current": doubt}), [*other, rule("c")]).scores["cells"]
    assert (doubted.score, doubted.reason) == (None, f"“c” could not be judged; {doubt}")
    waits = replace(rule("d", refuses="only 2 rides"), roles=("brake_demand",))
    both = judge(replace(KNOWN, doubts={"pack_current": doubt}), [*other, rule("c"), waits]).scores["cells"]
    assert both.reason.startswith(f"“c”, “d” could not be judged; {doubt}; to have the others judged, log ")


def test_a_score_waits_for_no_rule_out_of_reach_or_that_says_only_notes_or_does_not_matter() -> None:
    refusing = rule("c", refuses="no data")
    for other in (
        replace(refusing, must=("regen_demand_nobody_maps",)),
        replace(refusing, severity=Severity.NOTE),
        replace(refusing, matters=False),
        replace(refusing, applies=lambda profile: profile.name == "another"),
    ):
        assert judge(KNOWN, [rule("a"), rule("b"), other]).scores["cells"].score == 100.0


def test_what_is_found_is_an_upper_bound_while_others_wait() -> None:
    verdict = judge(KNOWN, [rule("a", found(Severity.SERVICE)), rule("b"), rule("c", refuses="no data")])
    assert verdict.scores["cells"].score == pytest.approx(60.0)
    assert verdict.scores["cells"].reason.startswith("at most: “c” could not be judged")


def test_a_rule_is_not_asked_without_the_metrics_it_needs() -> None:
    wants = rule("a", found(), needs=("braking_count", "cell_r_ratio", "end_lowest_v"))
    bare = replace(KNOWN, profile=replace(KNOWN.profile, roles=()))
    said = apply(replace(wants, must=("pack_current", "cell_voltage")), bare)
    assert isinstance(said, NotAssessed)
    assert said.reason == (
        "not in the record: cell_r_ratio, end_lowest_v "
        "(the profile example maps no pack_current, cell_voltage, brake_demand)"
    )
    assert not isinstance(apply(replace(wants, needs=("braking_count",)), KNOWN), NotAssessed)
    without_roles = apply(replace(wants, roles=()), KNOWN)
    assert isinstance(without_roles, NotAssessed)
    assert without_roles.reason.endswith("end_lowest_v (no session had enough of it)")


def test_a_profiles_limit_wins_over_the_rules_own() -> None:
    own = rule("a")
    assert limits_of(own, {}) == {"look": 1.0, "act": 2.0}
    assert limits_of(own, {"a.act": 5.0, "b.look": 7.0, "look": 8.0}) == {"look": 1.0, "act": 5.0}
    heard: list[Mapping[str, float]] = []

    def note(record: Record, limits: Mapping[str, float]) -> list[Finding]:
        heard.append(limits)
        return []

    moved = replace(KNOWN, profile=replace(profile(), limits={"a.look": 0.5}))
    apply(replace(own, judge=note), moved)
    assert heard == [{"look": 0.5, "act": 2.0}]


def test_without_a_choice_all_rules_are_asked() -> None:
    verdict = judge(record())
    assert {r.rule.id for r in verdict.not_assessed} == set(all_rules())
    assert not verdict.findings
    assert all(s.score is None and s.reason for s in verdict.scores.values()), "an empty record is never healthy"


def test_one_metric_does_not_make_a_subsystem_healthy() -> None:
    verdict = judge(record(*days(5, "ride", Metric("braking_count", 0.0, "1"))))
    assert verdict.scores["braking"].score is None


def test_the_rule_set_in_words_has_every_limit_with_unit_and_reason() -> None:
    text = rule_set_json()
    assert text == json.dumps(json.loads(text), sort_keys=True), "the same rule set is the same text"
    said = {r["id"]: r for r in json.loads(text)}
    assert set(said) == set(all_rules())
    for name, own in all_rules().items():
        assert said[name]["limits"] == [
            {"name": x.name, "value": x.value, "unit": x.unit, "why": x.why} for x in own.limits
        ]
        told = {key: said[name][key] for key in ("title", "subsystem", "severity", "source")}
        assert told == {
            "title": own.title,
            "subsystem": own.subsystem,
            "severity": own.severity.value,
            "source": own.source,
        }


@pytest.mark.parametrize(
    "slip",
    [
        *(ZeroDivisionError("x"), ValueError("x"), KeyError("x"), TypeError("x"), AttributeError("x")),
        *(np.linalg.LinAlgError("x"), pl.exceptions.ColumnNotFoundError("x"), pl.exceptions.ComputeError("x")),
    ],
    ids=lambda e: type(e).__name__,
)
def test_a_rule_that_slips_takes_no_other_rule_with_it(slip: Exception) -> None:
    def judge_badly(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
        raise slip

    sound = all_rules()["temp_sensor_fault"]
    record = sound.cases().fires_on[0]
    bad = replace(sound, id="slipping", judge=judge_badly)
    verdict = judge(record, [bad, sound])
    assert {j.rule.id for j in verdict.findings} == {"temp_sensor_fault"}
    (refused,) = verdict.not_assessed
    assert refused.rule.id == "slipping"
    assert "fault of Herdbook itself" in refused.reason


def test_two_own_sets_that_fail_in_one_session_are_one_session() -> None:
    broken = (Event(FAILED, 0, 1, item) for item in ("own_fuse: KeyError", "own_lamp: KeyError"))
    one = record(one_session(0, "ride", *broken))
    assert "failed in one session" in failed_measuring(one, ["own_fuse_current_a"])
