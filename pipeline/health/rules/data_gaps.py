"""The record has holes: what happened in them is not known, and rates from them are not to be trusted."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import ran_through_the_gap, unless
from herdbook.pipeline.health.reading import event_table, metric_rows, only, recent, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import largest, middle
from herdbook.pipeline.vehicle.record import Event, Metric


def _in_use(rows: pl.DataFrame) -> pl.DataFrame:
    return only(rows, np.array([kind in ("ride", "charge") for kind in rows["kind"].to_list()], bool))


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    rows = recent(_in_use(metric_rows(record, "data_coverage")), limits["days"])
    if rows.height < limits["sessions"]:
        return NotAssessed(f"only {counted(rows.height, 'session')} of riding or charging recorded")
    hit = rows.filter(pl.col("value") < limits["coverage"])
    if hit.height < limits["sessions"]:
        return []
    gaps = recent(event_table(record, "data_gap", ("lasted_s",)), limits["days"])
    worst = -largest(-hit["value"]) * 100
    share = hit.height / rows.height
    usual = middle(hit["value"]).value
    lost = f", the longest {spell(largest(gaps['lasted_s']), 's')}" if gaps.height else ""
    return [
        Finding(
            severity=Severity.SERVICE if share >= limits["often"] and usual < limits["poor"] else Severity.NOTE,
            item="",
            measured=worst,
            limit=100 * limits["coverage"],
            unit="%",
            statement=f"{hit.height} of {rows.height} rides and charges have gaps: of the worst one "
            f"{spell(worst, '%')} is recorded{lost}.",
            confidence=0.99,
            persistence=share,
            count=hit.height,
            duration_s=float(gaps["lasted_s"].fill_null(0.0).sum()),
            windows=windows(gaps, "lasted_s") or windows(hit, "value", largest_first=False),
            signals=("pack_current", "vehicle_speed"),
            not_separable="Logger or vehicle silent: a second logger on the same bus separates them.",
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    def case(coverage: float, bad: int, good: int = 4) -> Record:
        gap = Event("data_gap", 60_000_000, 75_000_000, "", {"lasted_s": 15.0})
        return record(
            *days(bad, "ride", Metric("data_coverage", coverage, "1", n=9000), gap),
            *days(good, "ride", Metric("data_coverage", 1.0, "1", n=9000), first=bad),
        )

    return Cases(
        fires_on=(case(0.6, 4), case(0.9, 3, 12)),
        quiet_on=(case(0.99, 6), case(0.6, 1, 9)),
        unassessed_on=(case(0.6, 1, 1),),
    )


RULE = Rule(
    id="data_gaps",
    title="Gaps in the record",
    subsystem="data",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "gaps in most logs, `often` or more, and little of the data usable"),
        (Severity.NOTE, "fewer"),
    ),
    needs=("data_coverage",),
    roles=(),
    limits=(
        Limit("coverage", 0.97, "1", "of a session's time: engineering choice"),
        Limit("often", 0.5, "1", "of the sessions, from which on the logger needs attention: engineering choice"),
        Limit("poor", 0.8, "1", "of the time, in the middle of the sessions with gaps: engineering choice"),
        Limit("sessions", 3, "sessions", "engineering choice"),
        Limit("days", 30.0, "days", "engineering choice"),
    ),
    judge=judge,
    meaning="Nothing is known about the gaps. A fault in one of them has not been seen.",
    causes=(
        Cause("Logger overrun or its card slow", ran_through_the_gap(awake=True)),
        Cause("Loose logger or bus plug", ran_through_the_gap(awake=True)),
        Cause(
            "Vehicle asleep while counted as in use",
            unless(ran_through_the_gap(awake=False), ran_through_the_gap(awake=True)),
        ),
    ),
    bench=("Check the logger's plug and its own counters", "Compare with a second logger"),
    cautions=(),
    source="definition: nothing received for over 1 s while riding",
    cases=_cases,
)
