"""The motors brake while nobody asks for it. A rider standing on the vehicle is thrown forward.

Makers that brake on a released throttle by design say so in the profile ([drive] coast_brake = true): then
this is not judged.
"""

from __future__ import annotations

from collections.abc import Mapping

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import only_by, over
from herdbook.pipeline.health.reading import event_table, metric_rows, recent, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._judged_brakings import CAUTION
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import largest
from herdbook.pipeline.vehicle.record import Event, Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    if record.profile.drive_figures.coast_brake:
        return NotAssessed("this vehicle brakes on a released throttle by design (profile: coast_brake)")
    watched = recent(metric_rows(record, "unasked_watched_h"), limits["days"])
    hit = recent(event_table(record, "unasked_braking", ("lasted_s", "current_a", "speed_ms")), limits["days"])
    hours = float(watched["value"].sum())
    if hit.height < limits["count"]:
        if hours < limits["watched"]:
            return NotAssessed(f"only {hours:.2f} h at speed with motor current and brake demand recorded")
        return []
    rides = hit["session_start_t"].n_unique()
    return [
        Finding(
            severity=Severity.SERVICE,
            item="",
            measured=hit.height / hours,
            limit=limits["count"] / hours,
            unit="1/h",
            statement=f"The motors braked {hit.height} times without being asked in {spell(hours, 'h')} at speed, "
            f"with up to {spell(largest(hit['current_a']), 'A')} for up to {spell(largest(hit['lasted_s']), 's')}.",
            se=hit.height**0.5 / hours,
            confidence=0.97,
            persistence=min(1.0, rides / max(watched.height, 1)),
            count=hit.height,
            duration_s=float(hit["lasted_s"].sum()),
            windows=windows(hit, "current_a"),
            signals=("motor_current", "brake_demand", "throttle", "vehicle_speed"),
            not_separable="Controller, lever sensor or a design that brakes on coasting: the maker's data sheet and "
            "the lever's raw value separate them.",
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    def case(count: int, rides: int = 3, coast_brake: bool = False) -> Record:
        events = [
            Event(
                "unasked_braking",
                k * 50_000_000,
                k * 50_000_000 + 900_000,
                "",
                {"lasted_s": 0.9, "current_a": 15.0, "speed_ms": 5.0},
            )
            for k in range(count)
        ]
        watched = Metric("unasked_watched_h", 0.3, "h", n=9000)
        drive = {"coast_brake": True} if coast_brake else {}
        return record(*days(1, "ride", watched, *events), *days(rides - 1, "ride", watched, first=1), drive=drive)

    return Cases(
        fires_on=(case(4), case(12)),
        quiet_on=(case(0), case(1)),
        unassessed_on=(
            case(4, coast_brake=True),
            record(*days(1, "ride", Metric("unasked_watched_h", 0.01, "h"))),
        ),
    )


RULE = Rule(
    id="unasked_braking",
    title="Brakes without being asked",
    subsystem="braking",
    severity=Severity.SERVICE,
    needs=("unasked_watched_h",),
    roles=("motor_current", "brake_demand", "vehicle_speed"),
    limits=(
        Limit("count", 3, "times", "engineering choice"),
        Limit("watched", 0.1, "h", "engineering choice"),
        Limit("days", 30.0, "days", "engineering choice"),
    ),
    judge=judge,
    meaning="Braking force came without the rider's command.",
    causes=(
        Cause(
            "Controller settings or firmware",
            only_by("the controller's settings against those of a vehicle that rolls freely"),
        ),
        Cause(
            "Brake lever or its sensor sticking",
            over("brake_demand", 1.0, "the brake command that the controller received"),
        ),
        Cause(
            "One motor short-circuited inside", only_by("each motor turned by hand with the power off: equal and light")
        ),
    ),
    bench=(
        "Wheels free: run up, release everything, watch phase currents",
        "Move the lever slowly and watch its raw value",
        "Turn each motor by hand with the power off: equal and light",
    ),
    cautions=CAUTION,
    source="definition: braking current above drag with the brake released for over a second",
    matters=False,  # many brake on a released throttle by design, and it is then not judged
    version=2,
    cases=_cases,
)
