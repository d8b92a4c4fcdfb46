"""A signal is sent, but most often without a value or with an impossible one: what rests on it cannot be judged.

Temperatures have their own rule, which knows more about them.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import figure, only_by
from herdbook.pipeline.health.reading import metric_rows, recent, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import middle
from herdbook.pipeline.vehicle.record import Metric

OTHERS = ("cell_temp", "motor_temp", "fet_temp", "bms_temp", "ambient_temp")


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    sessions = recent(metric_rows(record, "data_coverage"), limits["days"])
    if sessions.height < limits["sessions"]:
        return NotAssessed(f"only {counted(sessions.height, 'session')} recorded")
    rows = recent(metric_rows(record, "data_missing_share"), limits["days"])
    rows = rows.filter(~pl.col("item").is_in(OTHERS), pl.col("value") > limits["share"])
    found = []
    for item in sorted(set(rows["item"].to_list())):
        hit = rows.filter(pl.col("item") == item)
        if hit.height < limits["sessions"]:
            continue
        share = 100 * middle(hit["value"]).value
        found.append(
            Finding(
                severity=Severity.NOTE,
                item=item,
                measured=share,
                limit=100 * limits["share"],
                unit="%",
                statement=f"{item} came without a usable value in {spell(share, '%')} of its samples, in "
                f"{counted(hit.height, 'session')} of {sessions.height}.",
                confidence=0.98,
                persistence=min(1.0, hit.height / sessions.height),
                count=hit.height,
                duration_s=seconds(hit),
                windows=windows(hit, "value"),
                signals=(item,),
                not_separable="A sensor that is not fitted or broken, or a profile whose range or no-value code is "
                "wrong: the raw values in the log separate them.",
            )
        )
    return found


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    def case(share: float, sessions: int = 4, item: str = "vehicle_speed") -> Record:
        parts = Metric("data_coverage", 1.0, "1", n=9000), Metric("data_missing_share", share, "1", n=900, item=item)
        return record(*days(sessions, "ride", *parts))

    return Cases(
        fires_on=(case(0.5), case(1.0, item="trigger")),
        quiet_on=(case(0.05), case(0.9, item="cell_temp")),
        unassessed_on=(case(0.9, sessions=1),),
    )


RULE = Rule(
    id="values_missing",
    title="Signal without usable values",
    subsystem="data",
    severity=Severity.NOTE,
    needs=("data_coverage",),
    roles=(),
    limits=(
        Limit("share", 0.2, "1", "of the samples: engineering choice"),
        Limit("sessions", 2, "sessions", "engineering choice"),
        Limit("days", 30.0, "days", "engineering choice"),
    ),
    judge=judge,
    meaning="Rules that need this signal see less than the vehicle sends, or cannot judge at all.",
    causes=(
        Cause(
            "Sensor not fitted or broken",
            figure(
                "data_missing_share",
                0.999,
                "no value at all {share}",
                "values came through in every session: it is fitted",
                "vehicle_serial",
                whole_item=True,
            ),
        ),
        Cause(
            "Wrong no-value code, scale or range in DBC or profile",
            only_by("the raw values of the signal beside its DBC line"),
        ),
        Cause("Firmware changed", only_by("the firmware of before and after in the DBC that belongs to it")),
    ),
    bench=("Look at the raw values of the signal", "Check profile and DBC against this firmware"),
    cautions=(),
    source="what is impossible: the roles' ranges; what means no value: the profile",
    cases=_cases,
)
