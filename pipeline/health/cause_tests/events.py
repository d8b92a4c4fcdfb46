"""A measured event of the finding's windows, by a figure it carries: a braking's part held back because the pack was
full, the voltage before a restart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from herdbook.pipeline.health.cause import CauseTest, Evidence, Seen
from herdbook.pipeline.health.cause_tests.votes import Hit, counted_votes
from herdbook.pipeline.health.reading import event_table
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.times import column_micros


def event_figure(
    kind: str,
    key: str,
    level: float,
    words: str,
    quiet: str,
    unit: str,
    role: str,
    above: bool = True,
    rules_out: bool = False,
) -> CauseTest:
    """An event of the kind in a window carries `key` at or above `level` (or at or below it). words: with {value}."""

    def judge(evidence: Evidence) -> Seen:
        answers: list[Hit | bool | None] = []
        for event in events_of(evidence, kind, (key,)):
            value = event[key]
            if value is None:
                answers.append(None)
            elif value >= level if above else value <= level:
                answers.append(Hit(int(event["start"]), words.format(value=spell(value, unit)), role))
            else:
                answers.append(False)
        return counted_votes(answers, (role,), quiet, rules_out)

    return CauseTest((), judge)


def events_of(evidence: Evidence, kind: str, keys: Sequence[str]) -> list[Mapping[str, float]]:
    """Events of a kind that overlap a window of the finding: start, end (microseconds UTC) and the keys, None where an
    event does not carry one. None at all without a record."""
    if evidence.record is None:
        return []
    rows = event_table(evidence.record, kind, tuple(keys))
    starts, ends = column_micros(rows["start_t"]).tolist(), column_micros(rows["end_t"]).tolist()
    values = {key: rows[key].to_list() for key in keys}
    return [
        {"start": a, "end": b} | {key: values[key][k] for key in keys}
        for k, (a, b) in enumerate(zip(starts, ends, strict=True))
        if any(a <= end and start <= b for start, end in evidence.spans)
    ]
