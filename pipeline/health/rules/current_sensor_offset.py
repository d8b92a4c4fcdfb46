"""The current sensor shows current when none can flow: with the main switch open.

0.05 A of error is 1.2 Ah a day in every count of charge; 0.2 A empties or fills a reported 30 Ah pack in six days.
"""

from __future__ import annotations

from collections.abc import Mapping

from herdbook.pipeline.health.pooled import pooled, surely_over
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence
from herdbook.pipeline.vehicle.record import Metric

LIMITS = (
    Limit("look", 0.2, "A", "engineering choice: 5 Ah a day in the count of charge"),
    Limit("act", 0.6, "A", "engineering choice: the reported charge is worthless within two days"),
    Limit("z", 4.0, "standard errors", "engineering choice: under 1 in 30,000 by chance"),
    Limit("least_sessions", 2.0, "sessions", "engineering choice: one session alone is no finding"),
    Limit("agreement", 0.6, "share", "engineering choice: share of sessions that must show it"),
    Limit(
        "days", 21.0, "days", "engineering choice: the newest stretch; a zero that jumped is not mixed with what it was"
    ),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    p = pooled(record, "pack_current_zero_a", last_days=limits["days"]).get("")
    if p is None or p.count < limits["least_sessions"]:
        return NotAssessed("the current was recorded with the main switch open in fewer than two sessions")
    look = limits["look"] if p.value >= 0 else -limits["look"]
    if not surely_over(p, look, limits["z"]) or p.share_over(look) < limits["agreement"]:
        return []
    act = surely_over(p, limits["act"] if p.value >= 0 else -limits["act"], limits["z"])
    limit = limits["act"] if act else limits["look"]
    return [
        Finding(
            severity=Severity.SERVICE if act else Severity.NOTE,
            item="",
            measured=abs(p.value),
            limit=limit,
            unit="A",
            se=p.se,
            statement=f"With the main switch open the current sensor reads {p.value:+.2f} A (standard error "
            f"{p.se:.2f} A, {p.count} sessions): {abs(p.value) * 24:.0f} Ah a day that never flowed.",
            confidence=confidence(abs(p.value), limit, p.se),
            persistence=p.share_over(look),
            count=p.count,
            duration_s=p.duration_s,
            windows=p.windows(largest=p.value > 0),
            signals=("pack_current", "contactor_state", "pack_soc"),
            not_separable=("Sensor or a load that bypasses the switch: a clamp meter on the pack's lead tells."),
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def session(day: float, amps: float, se: float = 0.03) -> ExampleSession:
        return one_session(day, "rest", Metric("pack_current_zero_a", amps, "A", se, 300))

    return Cases(
        fires_on=(
            record(session(0, 0.4), session(1, 0.45), session(2, 0.41)),
            record(*(session(d, -0.9) for d in range(3))),
        ),
        quiet_on=(
            record(session(0, 0.05), session(1, 0.04)),
            record(session(0, 0.0), session(1, 2.0), session(2, 0.02), session(3, 0.0)),
        ),
        unassessed_on=(record(session(0, 0.4)), record(one_session(0, "rest"))),
    )


RULE = Rule(
    id="current_sensor_offset",
    title="The current sensor's zero is off",
    subsystem="pack",
    severity=Severity.SERVICE,
    needs=("pack_current_zero_a",),
    roles=("pack_current", "contactor_state"),
    limits=LIMITS,
    judge=judge,
    meaning="The pack counts charge that does not flow. Its reported charge drifts away, and all figures that rest on "
    "counted charge with it.",
    causes=(
        "drift of the sensor or its amplifier",
        "a sensor magnetised by a short circuit",
        "wrong zero set at repair",
    ),
    bench=("read the sensor with the pack's lead off", "compare with a reference meter at 0, 10 and 40 A, both ways"),
    cautions=("A wrong reported charge can strand a rider, and can hide an empty pack.",),
    source="an open circuit carries no current; limits: see each",
    cases=_cases,
)
