"""A belt slips: the motor runs ahead of its wheel, the more the harder it pulls."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from herdbook.pipeline.health.newest_level import newest_level
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.health.reading import event_table, metric_rows, recent, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.metrics.belt import USUAL_A
from herdbook.pipeline.vehicle.record import Event, Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    every = metric_rows(record, "belt_slip_pct").filter(pl.col("se") > 0)
    found = []
    open_still = []
    at = "its full torque current" if record.profile.drive_figures.max_motor_a else f"{USUAL_A:g} A"
    for side in sorted(set(every["item"].to_list())):
        rows = recent(every.filter(pl.col("item") == side), limits["days"], 40)
        values, ses = rows["value"].to_numpy(), np.hypot(rows["se"].to_numpy(), 0.1)
        level = newest_level(values, ses, limits["slip"])
        if level is None or level.chance > limits["chance"] or (level.first == rows.height - 1 and rows.height > 1):
            value, se = pool(values, ses)
            newest = (value, se) if level is None else (level.value, level.se)
            if se > limits["largest_se"] or newest[0] + newest[1] > limits["slip"]:
                open_still.append(f"{side or 'motor'}: {spell(newest[0], '%', newest[1])}")
            continue
        rows = rows.slice(level.first)
        slip, se = level.value, level.se
        hit = rows.filter(pl.col("value") > limits["slip"])
        events = recent(event_table(record, "belt_slip", ("slip_pct", "current_a")), limits["days"])
        events = events.filter(pl.col("item") == side)
        found.append(
            Finding(
                severity=Severity.SERVICE,
                item=side,
                measured=slip,
                limit=limits["slip"],
                unit="%",
                statement=f"At {at} the {side} motor ran {spell(slip, '%', se)} ahead of its wheel, "
                f"over {counted(rows.height, 'ride')}.",
                se=se,
                confidence=min(1.0 - level.chance, 0.99),
                persistence=hit.height / rows.height,
                count=hit.height,
                duration_s=seconds(events),
                windows=windows(events, "slip_pct") or windows(hit, "value"),
                signals=("motor_speed", "vehicle_speed", "motor_current"),
                not_separable="Belt or tyre slipping on the road: chalk marks over belt and pulley, and over tyre and "
                "ground, separate them.",
            )
        )
    if found or (every.height and not open_still):
        return found
    known = f"; so far {', '.join(open_still)}" if open_still else ""
    return NotAssessed(f"too few rides with motor speed, current and vehicle speed to judge by{known}")


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    def case(slip: float, rides: int = 5, se: float = 0.2) -> Record:
        event = Event("belt_slip", 60_000_000, 63_000_000, "left", {"slip_pct": slip, "current_a": 40.0})
        parts = (
            Metric("belt_slip_pct", slip, "%", se, 300, item="left"),
            Metric("belt_slip_pct", 0.1, "%", 0.2, 300, item="right"),
        )
        return record(*days(rides, "ride", *parts, *([event] if slip > 1.5 else [])))

    return Cases(
        fires_on=(case(7.0), case(5.2), case(7.0, rides=1), case(7.0, rides=6, se=1.4)),
        quiet_on=(case(0.3), case(3.4), case(2.0, rides=1)),
        unassessed_on=(case(2.0, rides=1, se=1.5), case(5.0, rides=2, se=1.2)),
    )


RULE = Rule(
    id="belt_slip",
    title="Drive belt slips",
    subsystem="drive",
    severity=Severity.SERVICE,
    needs=("belt_slip_pct",),
    roles=("motor_speed", "motor_current", "vehicle_speed"),
    limits=(
        Limit("slip", 4.0, "%", "at full pull; tyres creep by 1 to 2 % then, 3 to 5 % marks a fault: from memory"),
        Limit("chance", 0.02, "1", "of no more than that, over all starts tried: engineering choice"),
        Limit("largest_se", 1.0, "%", "over all rides, to say that none slips: engineering choice"),
        Limit("days", 21.0, "days", "the newest rides only: engineering choice"),
    ),
    judge=judge,
    meaning="Power and braking of that side are partly lost, and a slipping belt may jump or tear.",
    causes=(
        "Belt tension too low",
        "Belt teeth or pulley worn",
        "Pulley loose on its shaft",
        "Oil or water on the belt",
    ),
    bench=(
        "Check tension and teeth with the power off",
        "Mark belt and pulley with chalk, pull under load, compare the marks",
        "Check the pulley's screws",
    ),
    cautions=(
        "A belt that jumps or tears takes that side's brake with it.",
        "Power off before fingers go near a belt.",
    ),
    source="slip by a line of relative speed over current; limit: from memory, see there",
    version=3,
    cases=_cases,
)
