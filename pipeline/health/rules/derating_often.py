"""The controller often takes torque away. Hot windings or stages call for it: then it is worth knowing, and the rules
on heat say whether the heat is right. With none of them hot, somebody must look why.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, any_of, less_than, only_by
from herdbook.pipeline.health.reading import event_table, metric_rows, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._heat_against_fleet import DRIVE_CAUTION
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import largest, middle
from herdbook.pipeline.vehicle.record import Event, Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    rows = metric_rows(record, "derated_share")
    if rows.height < limits["sessions"]:
        return NotAssessed(f"only {counted(rows.height, 'ride')} with the controller's torque share recorded")
    hit = rows.filter(pl.col("value") > limits["share"])
    if hit.height < limits["sessions"] or hit.height < limits["rides"] * rows.height:
        return []
    share = middle(hit["value"]).value
    events = event_table(record, "derating", ("left_pct", "duration_s", "explained"))
    hours = float(events["duration_s"].fill_null(0.0).sum()) / 3600.0
    hot, unexplained = (
        float(events.filter(pl.col("explained") == x)["duration_s"].fill_null(0.0).sum()) / 3600.0 for x in (1, 0)
    )
    why = ""
    if max(hot, unexplained) > 0.5 * hours:
        why = "; a winding or power stage was as hot as the maker derates at" if hot > unexplained else ""
        why = why or "; no winding or power stage was as hot as the maker derates at"
    deepest = events["left_pct"].drop_nulls()
    least = f", down to {spell(-largest(-deepest), '%')} of its torque" if deepest.len() else ""
    return [
        Finding(
            severity=Severity.SERVICE if unexplained > 0.5 * hours else Severity.NOTE,
            item="",
            measured=100 * share,
            limit=100 * limits["share"],
            unit="%",
            statement=f"In {hit.height} of {rows.height} rides the controller derated for {spell(100 * share, '%')} "
            f"of a ride (median), {spell(hours, 'h')} in all{least}{why}.",
            confidence=0.97,
            persistence=hit.height / rows.height,
            count=hit.height,
            duration_s=3600.0 * hours,
            windows=windows(events, "duration_s") or windows(hit, "value"),
            signals=("derate", "fet_temp", "motor_temp", "cell_temp", "discharge_limit"),
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    def derated(share: float, rides: int, calm: int = 0, **known: float) -> Record:
        data = {"left_pct": 60.0, "duration_s": 300.0} | known
        event = Event("derating", 60_000_000, 360_000_000, "", data)
        return record(
            *days(rides, "ride", Metric("derated_share", share, "1", n=900), event),
            *days(calm, "ride", Metric("derated_share", 0.0, "1", n=900), first=rides),
        )

    return Cases(
        fires_on=(derated(0.1, 4, 6), derated(0.1, 4, 6, explained=1.0), derated(0.1, 4, 6, explained=0.0)),
        quiet_on=(derated(0.1, 2, 10), derated(0.01, 12)),
        unassessed_on=(derated(0.1, 2),),
    )


RULE = Rule(
    id="derating_often",
    title="Controller derates often",
    subsystem="thermal",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "most of the derated hours have no heat to explain them"),
        (Severity.NOTE, "heat explains them"),
    ),
    needs=("derated_share",),
    roles=("derate", "fet_temp", "motor_temp"),
    must=("derate",),
    limits=(
        Limit("share", 0.05, "1", "of a ride's time: engineering choice"),
        Limit("rides", 0.2, "1", "of the rides: engineering choice"),
        Limit("sessions", 3, "rides", "engineering choice"),
    ),
    judge=judge,
    meaning="The vehicle loses torque to protect itself: riders feel it on climbs.",
    causes=(
        Cause("Heat of a winding or a power stage", also_found("winding_hot", "power_stage_hot")),
        Cause(
            "A weak or cold pack whose discharge limit falls",
            any_of(
                also_found("weak_group", "pack_capacity_low"),
                less_than(
                    "discharge_limit", "pack_current", "the current allowed", "the current drawn", rules_out=False
                ),
            ),
        ),
        Cause("Steep use beyond what the vehicle is made for", only_by("the slope of the road and the load carried")),
    ),
    bench=("Look at which temperature or limit is near its end in these windows", "Then follow that finding"),
    cautions=DRIVE_CAUTION,
    source="definition: this project",
    version=3,
    matters=False,  # the rules on heat judge whether the heat is right
    cases=_cases,
)
