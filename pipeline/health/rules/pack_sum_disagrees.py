"""The pack's voltage and the sum of its groups disagree: a sensor is wrong, or a group is missing from the sum.

Physics: groups in series add up. What is in proportion to the current is the resistance of the path outside
the taps and is taken out first; the rest must be nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import group_missing, link_sides_with
from herdbook.pipeline.health.newest_level import since_step
from herdbook.pipeline.health.pooled import pooled, surely_over
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._sense_wire import unread
from herdbook.pipeline.health.sentences import counted, to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, surely_passed, worth_acting
from herdbook.pipeline.vehicle.record import Metric

LIMITS = (
    Limit("look", 1.0, "% of pack voltage", "common practice: usual sensors are within 0.5 %"),
    Limit("act", 2.5, "% of pack voltage", "engineering choice: past any honest tolerance of a sensor"),
    Limit("z", 4.0, "standard errors", "engineering choice: under 1 in 30,000 by chance"),
    Limit("own", 0.15, "% of pack voltage", "engineering choice: warmth moves two sensors apart by so much"),
    Limit("days", 21.0, "days", "engineering choice: the newest stretch that is judged together"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    if unread(record):
        return NotAssessed("a measuring wire without contact: the groups' sum is not known")
    p = pooled(record, "pack_sum_gap_pct", last_days=limits["days"]).get("")
    if p is None:
        return NotAssessed("no session had the pack's voltage beside that of every group")
    p = since_step(p, limits["own"])
    look = limits["look"] if p.value >= 0 else -limits["look"]
    if not surely_over(p, look, limits["z"]):
        return []
    bounds = {name: limits[name] for name in ("look", "act", "z")}
    act = worth_acting(abs(p.value), p.se, **bounds)
    limit = surely_passed(abs(p.value), p.se, **bounds)
    side = "more" if p.value > 0 else "less"
    gap, error = to_error(abs(p.value), p.se)
    return [
        Finding(
            severity=Severity.SERVICE if act else Severity.NOTE,
            item="",
            measured=abs(p.value),
            limit=limit,
            unit="% of pack voltage",
            se=p.se,
            statement=f"The pack voltage reads {gap} % {side} than the sum of its groups at no current "
            f"(standard error {error} %, {counted(p.count, 'session')}).",
            confidence=confidence(abs(p.value), limit, p.se),
            persistence=p.share_over(look),
            count=p.count,
            duration_s=p.duration_s,
            windows=p.windows(largest=p.value > 0),
            signals=("pack_voltage", "cell_voltage"),
            not_separable="Pack sensor, group monitor or decoding of the bus: measure the terminals and two groups "
            "with a reference meter.",
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def session(day: float, pct: float, se: float = 0.05) -> ExampleSession:
        return one_session(day, "ride", Metric("pack_sum_gap_pct", pct, "%", se, 4000))

    return Cases(
        fires_on=(
            record(session(0, 1.6), session(1, 1.7), session(2, 1.5)),
            record(*(session(d, -4.0) for d in range(3))),
            record(session(0, 3.0)),  # one session
            record(session(0, 2.45, 0.1)),  # past what is acted on within its error
            record(*(session(d, 0.1) for d in range(9)), session(9, 3.0), session(10, 3.1)),  # since the tenth
        ),
        quiet_on=(
            record(session(0, 0.3), session(1, 0.2)),
            record(session(0, 0.1), session(1, 6.0), session(2, 0.1), session(3, 0.0)),  # one odd session
        ),
        unassessed_on=(record(one_session(0, "ride")),),
    )


RULE = Rule(
    id="pack_sum_disagrees",
    title="Pack voltage and groups disagree",
    subsystem="pack",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "the disagreement is surely past `look`, and past `act` within its error"),
        (Severity.NOTE, "surely past `look`"),
    ),
    needs=("pack_sum_gap_pct",),
    roles=("pack_voltage", "cell_voltage", "pack_current"),
    limits=LIMITS,
    judge=judge,
    meaning="Two measurements of the same voltage contradict each other, so at least one of them is wrong. Limits and "
    "charge end are then judged by a wrong figure.",
    causes=(
        Cause("the pack voltage sensor is out of calibration", link_sides_with(groups=True)),
        Cause("a reference of the group monitor has drifted", link_sides_with(groups=False)),
        Cause(
            "a group is missing from the bus, or the bus description is wrong for this firmware",
            group_missing(),
        ),
    ),
    bench=(
        "measure the terminals with a calibrated meter at rest and compare with both figures",
        "check whether the change began with a firmware version",
    ),
    cautions=("Stored energy cannot be switched off: only a qualified person measures inside a pack.",),
    source="Kirchhoff's voltage law; limits: see each",
    cases=_cases,
    version=3,
)
