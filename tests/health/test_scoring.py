"""The score by its definition, number by number, and its promises: monotone, bounded, deterministic, withheld without
data."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from herdbook.pipeline.health.rule import Finding
from herdbook.pipeline.health.scoring import Score, score, share
from herdbook.pipeline.health.severity import Severity


def finding(severity: Severity, confidence: float, persistence: float) -> Finding:
    return Finding(
        severity=severity,
        item="",
        measured=1.0,
        limit=0.5,
        unit="1",
        statement="x",
        confidence=confidence,
        persistence=persistence,
    )


FINDINGS = st.builds(finding, st.sampled_from(Severity), st.floats(0, 1), st.floats(0, 1))


@pytest.mark.parametrize(
    ("severity", "confidence", "persistence", "taken"),
    [  # share = weight x confidence x (floor + (1 - floor) x persistence)
        (Severity.NOTE, 1.0, 1.0, 0.03),
        (Severity.NOTE, 1.0, 0.5, 0.015),
        (Severity.NOTE, 1.0, 0.0, 0.0),  # its floor is 0: what hardly ever shows takes nothing
        (Severity.SERVICE, 1.0, 1.0, 0.40),
        (Severity.SERVICE, 1.0, 0.5, 0.28),
        (Severity.SERVICE, 1.0, 0.0, 0.16),
        (Severity.SERVICE, 0.5, 0.5, 0.14),
        (Severity.STOP_USE, 1.0, 1.0, 0.90),
        (Severity.STOP_USE, 1.0, 0.5, 0.8775),
        (Severity.STOP_USE, 1.0, 0.0, 0.855),
        (Severity.STOP_USE, 0.8, 0.0, 0.684),
        (Severity.STOP_USE, 0.0, 1.0, 0.0),
        (Severity.SERVICE, 1.7, 1.0, 0.40),  # a rule that says too much of itself is held to 0..1
        (Severity.SERVICE, -0.2, 1.0, 0.0),
        (Severity.SERVICE, 1.0, 1.7, 0.40),
        (Severity.SERVICE, 1.0, -0.2, 0.16),
    ],
)
def test_a_share_is_weight_by_confidence_by_firmness(
    severity: Severity, confidence: float, persistence: float, taken: float
) -> None:
    assert share(finding(severity, confidence, persistence)) == pytest.approx(taken, abs=1e-12)


@pytest.mark.parametrize(
    ("shares", "left"),
    [
        ([], 100.0),
        ([0.4], 60.0),
        ([0.9], 10.0),
        ([0.4, 0.4], 36.0),
        ([0.03, 0.4, 0.855], 100 * 0.97 * 0.6 * 0.145),
    ],
)
def test_a_score_is_a_hundred_times_the_product_of_what_is_left(shares: list[float], left: float) -> None:
    found = score(shares, 7, 9)
    assert found.score == pytest.approx(left)
    assert (found.judged, found.total, found.reason) == (7, 9, "")


@pytest.mark.parametrize(
    ("judged", "total", "expected"),
    [
        (0, 0, Score(None, 0, 0, "no rule looks at this subsystem")),
        (0, 1, Score(None, 0, 1, "none of its rules had the data it needs")),
        (0, 5, Score(None, 0, 5, "none of its rules had the data it needs")),
        (1, 3, Score(None, 1, 3, "only 1 of its 3 rules had the data they need")),
        (2, 5, Score(None, 2, 5, "only 2 of its 5 rules had the data they need")),
        (4, 9, Score(None, 4, 9, "only 4 of its 9 rules had the data they need")),
        (1, 1, Score(100.0, 1, 1)),
        (1, 2, Score(100.0, 1, 2)),  # half of the rules are enough
        (5, 10, Score(100.0, 5, 10)),
        (5, 9, Score(100.0, 5, 9)),
        (100, 199, Score(100.0, 100, 199)),
        (99, 199, Score(None, 99, 199, "only 99 of its 199 rules had the data they need")),
    ],
)
def test_a_score_is_withheld_until_half_of_the_rules_could_judge(judged: int, total: int, expected: Score) -> None:
    assert score([], judged, total) == expected


def test_a_finding_is_shown_however_little_could_be_judged_beside_it() -> None:
    found = score([0.9], 2, 5)
    assert found.score == pytest.approx(10.0)
    assert found.reason == "at most: only 2 of its 5 rules had the data they need"


@settings(deadline=None)
@given(st.floats(0, 1), st.floats(0, 1))
def test_a_share_is_in_zero_to_one_and_grows_with_severity(confidence: float, persistence: float) -> None:
    grown = [share(finding(s, confidence, persistence)) for s in Severity]
    assert grown == sorted(grown)
    assert all(0.0 <= taken < 1.0 for taken in grown)


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
