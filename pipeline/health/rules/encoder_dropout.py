"""A motor's speed is lost for moments while the vehicle and the other motor keep moving."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import only_by
from herdbook.pipeline.health.reading import event_table, metric_rows, recent, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted, of_side, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import largest
from herdbook.pipeline.science.poisson import lower_mean
from herdbook.pipeline.vehicle.record import Event, Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    watched = recent(metric_rows(record, "encoder_watched_h"), limits["days"])
    events = recent(event_table(record, "encoder_dropout", ("lasted_s", "speed_rpm")), limits["days"])
    found = []
    for side in sorted(set(events["item"].to_list())):
        hit = events.filter(pl.col("item") == side)
        rides = watched.filter(pl.col("item") == side)["start_t"].n_unique()
        hours = float(watched.filter(pl.col("item") == side)["value"].sum())
        proven = hours > 0 and lower_mean(hit.height, 0.95) / hours >= limits["rate"]
        if hit.height < limits["count"] and not (proven and hit.height >= limits["again"]):
            continue
        rate = hit.height / max(hours, 1e-9)
        in_rides = hit["session_start_t"].n_unique()
        found.append(
            Finding(
                severity=Severity.SERVICE,
                item=side,
                measured=rate,
                limit=limits["rate"],
                unit="1/h",
                statement=f"The {of_side(side, 'motor')}'s speed was lost {counted(hit.height, 'time')} in "
                f"{spell(hours, 'h')} at speed, for up to {spell(largest(hit['lasted_s']), 's')}, "
                f"in {in_rides} of {counted(rides, 'ride')}.",
                se=hit.height**0.5 / max(hours, 1e-9),
                confidence=0.98 if hit.height >= limits["count"] else 0.95,
                persistence=min(1.0, in_rides / max(rides, 1)),
                count=hit.height,
                duration_s=float(hit["lasted_s"].sum()),
                windows=windows(hit, "lasted_s"),
                signals=("motor_speed", "vehicle_speed", "motor_current", "motor_fault"),
                not_separable="Encoder, wire or plug, or a wheel that locks while braking: moving the wire with the "
                "wheel turning by hand separates them.",
            )
        )
    if not found and float(watched["value"].sum()) < limits["watched"]:
        return NotAssessed("too little time at speed with motor speed and a second speed recorded")
    return found


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    def case(count: int, rides: int = 5) -> Record:
        watched = Metric("encoder_watched_h", 0.3, "h", n=50_000, item="left")
        events = [
            Event(
                "encoder_dropout",
                k * 30_000_000,
                k * 30_000_000 + 300_000,
                "left",
                {"lasted_s": 0.3, "speed_rpm": 2400.0},
            )
            for k in range(count)
        ]
        return record(*days(1, "ride", watched, *events), *days(rides - 1, "ride", watched, first=1))

    return Cases(
        fires_on=(case(4), case(12), case(2, rides=1)),
        quiet_on=(case(0), case(2)),
        unassessed_on=(record(*days(1, "ride", Metric("encoder_watched_h", 0.01, "h", item="left"))),),
    )


RULE = Rule(
    id="encoder_dropout",
    title="Motor speed lost for moments",
    subsystem="drive",
    severity=Severity.SERVICE,
    needs=("encoder_watched_h",),
    roles=("motor_speed", "vehicle_speed"),
    must=("motor_speed",),
    limits=(
        Limit("count", 3, "losses", "each of 0.08 s and more, whatever the time: engineering choice"),
        Limit("again", 2, "losses", "of which the rate is proven: engineering choice"),
        Limit("rate", 1.0, "1/h", "at speed, proven at 95 % by the count (Poisson): engineering choice"),
        Limit("watched", 0.1, "h", "at speed: engineering choice"),
        Limit("days", 30.0, "days", "engineering choice"),
    ),
    judge=judge,
    meaning="Without its speed the controller cannot place its current: that motor lets go, in drive and in braking.",
    causes=(
        Cause(
            "Encoder plug or wire loose or chafed", only_by("the speed signal watched while wire and plug are moved")
        ),
        Cause(
            "Encoder dirty or its magnet off place", only_by("the encoder's signals over one slow turn of the motor")
        ),
        Cause("Interference on the wire", only_by("the encoder's signals on an oscilloscope while the motor pulls")),
    ),
    bench=(
        "Turn the wheel by hand, move the wire and plug, watch the speed",
        "Look at the encoder signals with an oscilloscope",
        "Swap the encoders' plugs, if the maker allows it: does the fault move along?",
    ),
    cautions=("When one motor lets go in braking the vehicle pulls to the other side.",),
    source="definitions: this project",
    version=2,
    cases=_cases,
)
