"""Tests joined: any of several, or one unless another excludes it; and the plain word that no record can tell."""

from __future__ import annotations

from dataclasses import replace

from herdbook.pipeline.health.cause import PLACE, CauseTest, Evidence, Seen, Standing


def any_of(*tests: CauseTest) -> CauseTest:
    """The test that speaks most for the cause; contradicted only where every one contradicts it."""
    roles = tuple(dict.fromkeys(role for test in tests for role in test.roles))

    def judge(evidence: Evidence) -> Seen:
        return min((test.judge(evidence) for test in tests), key=lambda seen: PLACE[seen.standing])

    return CauseTest(roles, judge)


def unless(test: CauseTest, excluded_by: CauseTest) -> CauseTest:
    """`test`, but contradicted where `excluded_by` is supported: what was recorded leaves no room for the cause."""

    def judge(evidence: Evidence) -> Seen:
        against = excluded_by.judge(evidence)
        if against.standing is Standing.SUPPORTED:
            return replace(against, standing=Standing.CONTRADICTED)
        return test.judge(evidence)

    return CauseTest(tuple(dict.fromkeys((*test.roles, *excluded_by.roles))), judge)


def less_likely_if(test: CauseTest, seen_by: CauseTest) -> CauseTest:
    """`test`, but not seen where `seen_by` is supported: the record leaves little room for the cause."""

    def judge(evidence: Evidence) -> Seen:
        against = seen_by.judge(evidence)
        if against.standing is Standing.SUPPORTED:
            return replace(against, standing=Standing.NOT_SEEN)
        return test.judge(evidence)

    return CauseTest(tuple(dict.fromkeys((*test.roles, *seen_by.roles))), judge)


def only_by(measurement: str) -> CauseTest:
    """No signal on a usual bus tells it. measurement: what would, as in "the resistance of each joint, measured"."""
    said = f"told only by {measurement}"
    return CauseTest((), lambda _: Seen(Standing.NOT_RECORDED, said))
