"""The remote's packets stay away again and again while riding. To the controller that looks like a released trigger."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import only_by
from herdbook.pipeline.health.reading import event_table, metric_rows, recent, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import largest
from herdbook.pipeline.science.poisson import lower_mean, tail
from herdbook.pipeline.vehicle.record import Event, Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    watched = recent(metric_rows(record, "link_watched_h"), limits["days"])
    hours = float(watched["value"].sum())
    losses = recent(event_table(record, "link_loss", ("lasted_s", "age_ms", "speed_ms")), limits["days"])
    hit = losses.filter(pl.col("speed_ms").fill_null(0.0) > 0.5) if losses["speed_ms"].is_not_null().any() else losses
    # what the count proves at 95 %: a rare loss in a long time is no rate, two in some minutes are
    if hours <= 0 or lower_mean(hit.height, 0.95) / hours < limits["rate"]:
        if hours < limits["watched"]:
            return NotAssessed(f"the age of the remote's packets is recorded for only {hours:.2f} h")
        return []
    rate = hit.height / hours
    longest = largest(hit["lasted_s"])
    in_rides = hit["session_start_t"].n_unique()
    return [
        Finding(
            severity=Severity.SERVICE,
            item="",
            measured=rate,
            limit=limits["rate"],
            unit="1/h",
            statement=f"The remote was lost {counted(hit.height, 'time')} in {spell(hours, 'h')}, for up to "
            f"{spell(longest, 's')}, in {in_rides} of {counted(watched.height, 'ride')}.",
            se=hit.height**0.5 / hours,
            confidence=min(1.0 - tail(hit.height, limits["rate"] * hours), 0.99),
            persistence=min(1.0, in_rides / watched.height),
            count=hit.height,
            duration_s=float(hit["lasted_s"].sum()),
            windows=windows(hit, "lasted_s"),
            signals=("packet_age", "link_quality", "trigger", "vehicle_speed"),
            not_separable="Remote, receiver or surroundings: another remote on this vehicle, on the same way, "
            "separates them.",
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    def case(losses: int, rides: int = 5) -> Record:
        watched = Metric("link_watched_h", 0.3, "h", n=50_000)
        events = [
            Event(
                "link_loss",
                k * 40_000_000,
                k * 40_000_000 + 900_000,
                "",
                {"lasted_s": 1.1, "age_ms": 1100.0, "speed_ms": 4.0},
            )
            for k in range(losses)
        ]
        return record(*days(1, "ride", watched, *events), *days(rides - 1, "ride", watched, first=1))

    return Cases(
        fires_on=(case(6), case(30), case(2, rides=1)),
        quiet_on=(case(0), case(2), case(3)),
        unassessed_on=(record(*days(1, "ride", Metric("link_watched_h", 0.05, "h"))),),
    )


RULE = Rule(
    id="link_loss",
    title="Remote link lost while riding",
    subsystem="remote link",
    severity=Severity.SERVICE,
    needs=("link_watched_h",),
    roles=("packet_age", "link_quality", "vehicle_speed"),
    must=("packet_age",),
    limits=(
        Limit("rate", 1.0, "1/h", "of riding, proven at 95 % by the count (Poisson): engineering choice"),
        Limit(
            "watched",
            0.2,
            "h",
            "none in it excludes one every four minutes at 95 % (Poisson): calculation",
        ),
        Limit("days", 30.0, "days", "engineering choice"),
    ),
    judge=judge,
    meaning="While the link is lost the rider can neither drive nor brake electrically.",
    causes=(
        Cause("Remote's battery low, its contacts or antenna", only_by("another remote on the same way")),
        Cause("Receiver's antenna or plug", only_by("the same remote beside another vehicle at the same place")),
        Cause("Strong radio surroundings", only_by("the places of the losses, and another vehicle there")),
        Cause(
            "Body between remote and receiver",
            only_by("the losses of a ride with the remote held in view of the receiver"),
        ),
    ),
    bench=(
        "Try another remote on the same way",
        "Check the receiver's antenna and plug",
        "Compare the places of the losses",
    ),
    cautions=("Without the link there is no electric brake: the other brake must hold the vehicle alone.",),
    source="time-outs of commands of 100 to 250 ms: common practice; the profile's trigger_timeout_ms wins",
    version=2,
    cases=_cases,
)
