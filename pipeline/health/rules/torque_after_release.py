"""Drive torque stays on after the trigger was released, or after the remote fell silent. Nothing is more dangerous.

The trigger is the one the controller received: a lost link looks like a release, and torque must end all the same,
within one command time-out. A motor current that only braking would show is negative and does not count.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import only_by, over, under, unless
from herdbook.pipeline.health.reading import event_table, metric_rows, recent, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import largest
from herdbook.pipeline.vehicle.figures import TIMEOUT_MS
from herdbook.pipeline.vehicle.record import Event, Metric

KEYS = ("lasted_s", "sure_s", "current_a", "force_n", "speed_ms", "age_ms")

# what a cause is told by: engineering choices, far from a trigger's noise and from its pull
RELEASED_PCT, PULLED_PCT = 2.0, 10.0
LOST_MS = 200.0  # no packet for so long is a lost link: common practice, time-outs of 100 to 250 ms
HEARD, PACKET = "the throttle that the controller hears", "the age of the newest packet"


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    timed = float(metric_rows(record, "release_timed_count")["value"].sum())
    drive = record.profile.drive_figures
    timeout = drive.trigger_timeout_ms / 1000.0 if drive.given("trigger_timeout_ms") else limits["timeout"]
    limit = timeout + limits["margin"]
    events = recent(event_table(record, "torque_after_release", KEYS), 60.0)
    hit = events.filter(pl.col("sure_s") >= limit)
    if hit.height < limits["count"] and not (hit["sure_s"] >= limit + limits["margin"]).any():
        if timed < limits["releases"]:
            return NotAssessed(f"only {timed:.0f} releases of the trigger with the motor current recorded after them")
        return []
    longest, amps = largest(hit["lasted_s"]), largest(hit["current_a"])
    lost = hit.filter(pl.col("age_ms") > 1000.0 * timeout).height
    newton = largest(hit["force_n"])
    force = f" ({spell(newton, 'N')} at the road)" if newton == newton else ""
    link = f"; in {lost} of them the remote had fallen silent" if lost else ""
    return [
        Finding(
            severity=Severity.STOP_USE,
            item="",
            measured=longest,
            limit=limit,
            unit="s",
            statement=f"After {hit.height} of {timed:.0f} releases of the trigger drive torque stayed on, for up to "
            f"{spell(longest, 's')} with {spell(amps, 'A')}{force}{link}.",
            se=0.03,
            confidence=0.99 if hit.height >= limits["count"] else 0.95,
            persistence=min(1.0, hit.height / max(timed, 1.0)),
            count=hit.height,
            duration_s=float(hit["lasted_s"].sum()),
            windows=windows(hit, "lasted_s"),
            signals=("trigger", "motor_current", "throttle", "packet_age", "vehicle_speed"),
            not_separable="Controller or received command late: a bench run with trigger line and phase current on "
            "one oscilloscope separates them.",
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, one_session, record

    def case(lasted: float, count: int = 3, releases: int = 40) -> Record:
        events = [
            Event(
                "torque_after_release",
                k * 60_000_000,
                k * 60_000_000 + int(lasted * 1e6),
                "",
                {"lasted_s": lasted, "sure_s": lasted - 0.1, "current_a": 22.0, "force_n": 60.0},
            )
            for k in range(count)
        ]
        return record(one_session(0, "ride", Metric("release_timed_count", releases, "1"), *events))

    return Cases(
        fires_on=(case(0.6), case(1.2, count=1), case(1.2, count=1, releases=1)),
        quiet_on=(case(0.3), case(0.45), case(0.6, count=1), case(0.6, count=0)),
        unassessed_on=(case(0.6, count=0, releases=2), record(*days(2, "ride", Metric("release_count", 3, "1")))),
    )


RULE = Rule(
    id="torque_after_release",
    title="Torque after the trigger is released",
    subsystem="drive",
    severity=Severity.STOP_USE,
    needs=("release_timed_count",),
    roles=("trigger", "motor_current", "packet_age"),
    must=("trigger", "motor_current"),
    limits=(
        Limit("timeout", TIMEOUT_MS / 1000.0, "s", "common practice: 100 to 250 ms; the profile's figure wins"),
        Limit("margin", 0.15, "s", "for ramp and message cycles: engineering choice"),
        Limit("count", 2, "releases", "or one that lasts a margin longer: engineering choice"),
        Limit("releases", 3, "releases", "fewer do not show that torque ends: engineering choice"),
    ),
    judge=judge,
    meaning="The vehicle drives on when the rider has let go.",
    causes=(
        Cause(
            "Controller firmware: time-out or ramp wrong",
            under("throttle", RELEASED_PCT, HEARD, rules_out=False, late=True),
        ),
        Cause("Trigger sensor or its wire sticking", over("throttle", PULLED_PCT, HEARD, late=True)),
        Cause("Radio receiver that repeats the last command", over("throttle", PULLED_PCT, HEARD, late=True)),
        Cause("The radio link was lost and torque did not end with it", over("packet_age", LOST_MS, PACKET)),
        Cause(
            "Torque current measured wrong, so that the controller believes it is zero",
            unless(
                only_by("the phase current on the stand, by a clamp"),
                over("motor_current", 5.0, "the torque current that the controller itself reports", late=True),
            ),
        ),
    ),
    bench=(
        "Wheels free, power limited: release the trigger and measure phase current against the trigger line",
        "Switch the remote off while driving on the stand: torque must end within the time-out",
        "Compare firmware and settings with a vehicle that stops",
    ),
    cautions=(
        "Inspecting drive and remote is for a qualified person; software cannot clear this fault.",
        "On the stand keep clear of wheels and belts, and have a hand on the main switch.",
    ),
    source="torque ends within one command time-out on release and on loss of the link: common practice; torque under "
    "a quarter of what flowed at the release passes for a ramp and is not told",
    version=2,
    cases=_cases,
)
