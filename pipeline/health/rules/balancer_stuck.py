"""A balancing resistor that works when it has no reason to: it drains its group.

Physics: bleeding makes sense near full and while charging. A resistor that is on at mid charge, at rest or
under load, takes its current (about 70 mA: 1.7 Ah a day) from one group only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import alone_among, less_likely_if, only_by
from herdbook.pipeline.health.newest_level import since_step
from herdbook.pipeline.health.pooled import Pooled, pooled
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence
from herdbook.pipeline.vehicle.record import Metric

UNIT = "share of recorded time"
LIMITS = (
    Limit("idle", 0.25, UNIT, "engineering choice: a sound balancer is off there altogether"),
    Limit(
        "over_others", 3.0, "times the median group", "engineering choice: one stuck channel, not a firmware's habit"
    ),
    Limit("least_s", 300.0, "s", "engineering choice: recorded time; a balancer's own rhythm is a minute or so"),
    Limit("own", 0.1, UNIT, "engineering choice: a resistor stuck on is on all the time"),
    Limit("days", 21.0, "days", "engineering choice: the newest stretch that is judged together"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    kinds = ("ride", "rest", "bench")
    seen = pooled(record, "cell_bleed_idle_share", last_days=limits["days"], kinds=kinds)
    groups = {item: since_step(p, limits["own"]) for item, p in seen.items()}
    groups = {item: p for item, p in groups.items() if p.duration_s >= limits["least_s"]}
    if not groups:
        return NotAssessed(
            f"the state of the balancing resistors was recorded for less than {limits['least_s']:.0f} s away from "
            "charging"
        )
    usual = sorted(p.value for p in groups.values())[len(groups) // 2]
    return [
        _finding(p, limits)
        for p in groups.values()
        if p.value > limits["idle"] and p.value > limits["over_others"] * usual
    ]


def _finding(p: Pooled, limits: Mapping[str, float]) -> Finding:
    se = max(p.se, 0.02) if math.isfinite(p.se) else limits["own"]
    return Finding(
        severity=Severity.SERVICE,
        item=f"cell {p.item}",
        measured=p.value,
        limit=limits["idle"],
        unit=UNIT,
        se=se,
        statement=f"The balancing resistor of group {p.item} was on for {100 * p.value:.0f} % of the time in which "
        f"the group was far from full and not charging ({counted(p.count, 'session')}).",
        confidence=confidence(p.value, limits["idle"], se),
        persistence=p.share_over(limits["idle"]),
        count=p.count,
        duration_s=p.duration_s,
        windows=p.windows(),
        signals=("cell_bleed", "cell_voltage"),
        not_separable="The electronics' command and a shorted switch differ: if the resistor is warm while the report "
        "says off, the switch is stuck.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def session(day: float, share: float, others: float = 0.0) -> ExampleSession:
        shares = {**{str(k): others for k in range(1, 6)}, "4": share}
        return one_session(
            day, "ride", *(Metric("cell_bleed_idle_share", v, "1", None, 3000, item=k) for k, v in shares.items())
        )

    return Cases(
        fires_on=(
            record(*(session(d, 0.9) for d in range(4))),
            record(session(0, 0.9)),  # an hour of it in one ride
            record(*(session(d, 0.0) for d in range(6)), session(6, 0.95)),  # since yesterday
        ),
        quiet_on=(
            record(*(session(d, 0.05) for d in range(4))),
            record(*(session(d, 0.5, others=0.5) for d in range(4))),  # all alike: a habit of the firmware
            record(session(0, 0.9), session(1, 0.0), session(2, 0.0)),
        ),
        unassessed_on=(record(one_session(0, "ride")),),
    )


RULE = Rule(
    id="balancer_stuck",
    title="A balancing resistor that does not switch off",
    subsystem="cells",
    severity=Severity.SERVICE,
    needs=("cell_bleed_idle_share",),
    roles=("cell_bleed", "cell_voltage"),
    must=("cell_bleed",),
    limits=LIMITS,
    judge=judge,
    meaning="One group is drained all the time by its own balancer. It falls behind its siblings and can be driven "
    "below its limit in storage.",
    causes=(
        Cause(
            "a switch of the balancer that is stuck on",
            alone_among(
                "cell_bleed_idle_share",
                0.2,
                0.02,
                "this group's resistor is on for {mine} of the time with no reason, no other's for more than {beside}",
                "this group's resistor is on for {mine} of the time with no reason, another's for {beside}",
                "cell_bleed",
            ),
        ),
        Cause(
            "firmware that balances at the wrong time",
            less_likely_if(
                only_by("the firmware's own word on when it switches the resistors"),
                alone_among(
                    "cell_bleed_idle_share",
                    0.2,
                    0.02,
                    "it would switch others too: no other is on for more than {beside}, this one for {mine}",
                    "",
                    "cell_bleed",
                ),
            ),
        ),
    ),
    bench=(
        "feel or measure the warmth of the group's bleed resistor with the pack at rest",
        "measure the current in the group's sense wires with the electronics asleep",
    ),
    cautions=("A bleed resistor runs hot by design: do not cover it, do not touch it.",),
    source="physics: bleeding is of use only near full; limits: see each",
    cases=_cases,
    version=3,
)
