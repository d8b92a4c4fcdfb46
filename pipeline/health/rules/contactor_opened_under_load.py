"""The pack's main switch opened while current flowed.

Physics: the current is gone within a frame. While braking, the brakes' energy has no place to go: the DC
link leaps, the controller trips, and the electric brake is lost in milliseconds. While driving, the vehicle
loses its drive.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import bits_set, less_likely_if, only_by, reads_in
from herdbook.pipeline.health.reading import event_table, lately, metric_rows, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.record import Event, Metric

BESIDE_S = 5.0  # of an opening, what may have called for it: engineering choice

LIMITS = (
    Limit(
        "least",
        2.0,
        "openings",
        "engineering choice: one at a stand may be a rider's switch-off; under way or under braking one is enough",
    ),
    Limit("moving", 1.0, "m/s", "nobody switches off a vehicle under way: engineering choice"),
    Limit("braking_c", 0.1, "C of charge current", "engineering choice: more than drift, less than any real brake"),
    Limit("days", 60.0, "days", "engineering choice: the newest stretch that is judged together"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    if not metric_rows(record, "contactor_opened_loaded").height:
        return NotAssessed("the main switch or the mode of the pack is not on the bus, or the pack current is not")
    events = event_table(record, "contactor_opened_loaded", ("before_a", "after_a", "fault", "speed_ms", "by_mode"))
    events = lately(record, events, limits["days"])
    if not events.height:
        return []
    rides = set(record.sessions.filter(pl.col("kind") == "ride")["start_t"].to_list())
    events = events.filter(pl.col("session_start_t").is_in(list(rides)))
    threshold = -limits["braking_c"] * record.profile.pack_figures.rated_ah
    braking = events.filter(pl.col("before_a") < threshold)
    moving = events.filter(pl.col("speed_ms") > limits["moving"])
    if events.height < limits["least"] and not braking.height and not moving.height:
        return []
    again = moving["start_t"].n_unique() >= limits["least"]
    # one alone may be protection that worked, which reports it or has an empty group to show
    alone = moving.filter(~_protected(record, moving)).height > 0
    return [_finding(events, braking.height, len(rides), again or alone, limits)]


def _protected(record: Record, moving: pl.DataFrame) -> pl.Series:
    """Openings beside which the electronics reported a fault, or a group passed a limit."""
    kinds = ("bms_fault", "group_under_voltage", "group_over_voltage")
    spans = pl.concat([event_table(record, kind, ()).select("start_t", "end_t") for kind in kinds])
    first, last = (spans[c].to_physical().to_numpy() for c in ("start_t", "end_t"))
    begin, end = (moving[c].to_physical().to_numpy() for c in ("start_t", "end_t"))
    near = round(1e6 * BESIDE_S)
    beside = ((end[:, None] >= first - near) & (begin[:, None] <= last + near)).any(axis=1)
    return pl.Series(beside, dtype=pl.Boolean)


def _finding(events: pl.DataFrame, braking: int, rides: int, lost: bool, limits: Mapping[str, float]) -> Finding:
    """lost: drive was lost under way, again and again or without a reason in sight."""
    most = events.with_columns(size=pl.col("before_a").abs()).sort("size", descending=True)
    shown = events["session_start_t"].n_unique() / max(rides, 1)
    times = "once" if events.height == 1 else f"{events.height} times"
    brake = f"; {braking} of them while braking" if events.height > 1 else ", while braking" if braking else ""
    seen = "main switch opened" if events["by_mode"].is_null().all() else "pack's electronics gave up and cut it off"
    text = f"The {seen} {times} while riding with current flowing, at up to "
    text += f"{float(most['size'][0]):.0f} A{brake}."
    return Finding(
        severity=Severity.STOP_USE if braking or lost else Severity.SERVICE,
        item="",
        measured=float(events.height),
        limit=limits["least"],
        unit="openings",
        statement=text,
        confidence=0.99 if events.height > 1 else 0.95,
        persistence=min(1.0, shown),
        count=events.height,
        duration_s=seconds(events),
        windows=windows(most, "size"),
        signals=("contactor_state", "pack_current", "dc_link_voltage", "bms_fault", "cell_voltage", "brake_demand"),
        not_separable="Protection that worked, a loose plug or a fault of the switch: the fault bits and the groups' "
        "voltages in the second before tell, and a look at the plug.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def ride(day: float, *amps: float, speed: float = 0.0) -> ExampleSession:
        events = [
            Event(
                "contactor_opened_loaded",
                k * 60_000_000,
                k * 60_000_000 + 3_000_000,
                "",
                {"before_a": a, "after_a": 0.0, "fault": 0.0, "speed_ms": speed},
            )
            for k, a in enumerate(amps)
        ]
        return one_session(day, "ride", Metric("contactor_opened_loaded", float(len(amps)), "1", None, 9000), *events)

    return Cases(
        fires_on=(record(ride(0, -20.0)), record(ride(0, 30.0), ride(1, 25.0)), record(ride(0, 30.0, speed=4.0))),
        quiet_on=(record(ride(0), ride(1)), record(ride(0, 30.0))),
        unassessed_on=(record(one_session(0, "ride")),),
    )


RULE = Rule(
    id="contactor_opened_under_load",
    title="The main switch opened under load",
    subsystem="pack",
    severity=Severity.STOP_USE,
    when=(
        (
            Severity.STOP_USE,
            "it opened while braking, again and again under way, or once under way with no fault reported and no group "
            "past a limit: the electric brake goes with it",
        ),
        (Severity.SERVICE, "it opened once while driving, as a protection that worked does, or at a stand"),
    ),
    needs=("contactor_opened_loaded",),
    roles=("contactor_state", "bms_state", "pack_current"),
    must=("contactor_state|bms_state", "pack_current"),
    limits=LIMITS,
    judge=judge,
    meaning=("The pack cut itself off in mid-ride. The rider loses drive, and under braking the electric brake."),
    causes=(
        Cause("a protection limit was reached: voltage, current or temperature of a group", bits_set("bms_fault")),
        Cause(
            "a loose pack connector or a worn switch",
            less_likely_if(
                only_by("the voltage drop over connector and switch under current, and while they are shaken"),
                bits_set("bms_fault"),
            ),
        ),
        Cause("a fault of the pack's electronics", reads_in("bms_state", "fault", rules_out=False)),
    ),
    bench=(
        "read the pack's fault memory with the maker's service tool",
        "look at the groups in the second before each opening",
        "check connector, plug lock and the switch's drive under vibration",
    ),
    cautions=(
        "While the contactor is open there is no electric brake, and it opens without warning.",
        "Contacts that opened under load may be welded or burnt: the pack may not switch off any more.",
    ),
    source="switch state and current as the bus reports them; limits: see each",
    version=5,  # one opening under way that nothing explains is not to be ridden
    cases=_cases,
)
