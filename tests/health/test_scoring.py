"""Promises of the score: monotone, bounded, deterministic, withheld without data."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.examples import days, record
from herdbook.pipeline.health.rule import Finding
from herdbook.pipeline.health.scoring import WEIGHTS, score, share
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.record import Metric

FINDINGS = st.builds(
    Finding,
    severity=st.sampled_from(sorted(WEIGHTS)),
    item=st.just(""),
    measured=st.just(1.0),
    limit=st.just(0.5),
    unit=st.just("1"),
    statement=st.just("x"),
    confidence=st.floats(0, 1),
    persistence=st.floats(0, 1),
)


@settings(deadline=None)
@given(FINDINGS)
def test_a_share_is_in_zero_to_one_and_grows_with_severity(finding: Finding) -> None:
    assert 0.0 <= share(finding) < 1.0
    grown = [share(Finding(s, "", 1, 0, "1", "", confidence=1.0, persistence=finding.persistence)) for s in Severity]
    assert grown == sorted(grown)


@settings(deadline=None)
@given(st.lists(FINDINGS, max_size=8), FINDINGS)
def test_a_further_finding_never_raises_the_score_and_order_does_not_matter(
    findings: list[Finding], more: Finding
) -> None:
    shares = [share(f) for f in findings]
    before, after = score(shares, 5, 5).score, score([*shares, share(more)], 5, 5).score
    assert before is not None
    assert after is not None
    assert 0.0 < after <= before <= 100.0
    assert score(shares[::-1], 5, 5).score == before


def test_no_score_without_enough_rules_judged() -> None:
    assert score([], 5, 5).score == 100.0
    thin = score([], 2, 5)
    assert thin.score is None
    assert thin.reason
    assert score([], 0, 5).score is None
    assert score([], 0, 0).score is None


def test_an_empty_record_is_never_healthy() -> None:
    verdict = judge(record())
    assert not verdict.findings
    assert all(s.score is None and s.reason for s in verdict.scores.values())
    assert all(r.reason for r in verdict.not_assessed)


def test_one_metric_does_not_make_a_subsystem_healthy() -> None:
    verdict = judge(record(*days(5, "ride", Metric("braking_count", 0.0, "1"))))
    assert verdict.scores["braking"].score is None
