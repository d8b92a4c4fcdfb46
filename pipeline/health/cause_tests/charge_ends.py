"""How charges ended: by a group that reached its limit, or with every group below it."""

from __future__ import annotations

from collections.abc import Callable

from herdbook.pipeline.health.cause import CauseTest, Evidence, Seen, Standing
from herdbook.pipeline.health.cause_tests.events import events_of
from herdbook.pipeline.health.cause_tests.votes import Hit, counted_votes
from herdbook.pipeline.health.sentences import spell

AT_LIMIT_V, BELOW_V = 0.06, 0.1  # as the metric set `charge` has it; and surely below: engineering choice


def a_group_was_first() -> CauseTest:
    """When charging ended the highest group was at its limit and the median was not."""
    return _ends(
        lambda highest, median, limit: highest >= limit - AT_LIMIT_V and median < limit - BELOW_V,
        "charging ended with the highest group at {highest} and the median at {median}, limit {limit}",
        "no group was at its limit before the others when charging ended",
    )


def no_group_was_full() -> CauseTest:
    """When charging ended no group was near its limit: something else ended it."""
    return _ends(
        lambda highest, _, limit: highest < limit - BELOW_V,
        "charging ended with the highest group at {highest}, limit {limit}: no group ended it",
        "a group was near its limit when charging ended",
    )


def _ends(shows: Callable[[float, float, float], bool], words: str, quiet: str) -> CauseTest:
    def judge(evidence: Evidence) -> Seen:
        limit = evidence.record.profile.pack_figures.cell_max_v if evidence.record is not None else None
        if limit is None:
            return Seen(Standing.NOT_RECORDED, "the profile does not say a group's limit", role="cell_voltage")
        answers: list[Hit | bool | None] = []
        for event in events_of(evidence, "charge", ("end_highest_v", "end_median_v")):
            highest, median = event["end_highest_v"], event["end_median_v"]
            if highest is None or median is None:
                answers.append(None)
            elif shows(highest, median, limit):
                said = words.format(highest=spell(highest, "V"), median=spell(median, "V"), limit=spell(limit, "V"))
                answers.append(Hit(int(event["end"]), said, "cell_voltage"))
            else:
                answers.append(False)
        return counted_votes(answers, ("cell_voltage",), quiet, rules_out=False)

    return CauseTest((), judge)
