"""The controller restarts while the vehicle is in use: torque and electric brake are gone until it is back."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, any_of, bits_set, less_likely_if, only_by
from herdbook.pipeline.health.reading import event_table, metric_rows, recent, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import largest, mean
from herdbook.pipeline.vehicle.record import Event, Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    watched = recent(metric_rows(record, "controller_watched_h"), limits["days"])
    hours = float(watched["value"].sum())
    resets = recent(
        event_table(record, "reset", ("uptime_before_s", "voltage_v", "speed_ms", "silent_s", "cycle_s")),
        limits["days"],
    )
    moving = resets.filter(pl.col("speed_ms") > 0.5)
    if resets.height < limits["count"] and moving.height < limits["moving"]:
        if hours < limits["watched"]:
            return NotAssessed(f"the controller's uptime is recorded for only {hours:.2f} h")
        return []
    times = "once" if resets.height == 1 else f"{resets.height} times"
    on_the_move = "on the move" if resets.height == moving.height else f"{moving.height} of them on the move"
    pack = record.profile.pack_figures
    sagged = pack.of_chemistry.sagged_v
    low = resets.filter(pl.col("voltage_v") < sagged * pack.cells).height if pack.cells else 0
    brown = f"; the pack was under {sagged:.1f} V a group before {low} of them" if low else ""
    # rows of an earlier version know the span of two uptimes alone
    gone = mean(resets["silent_s"]) if resets["silent_s"].count() else seconds(resets) / resets.height
    within = largest(resets["cycle_s"])
    silent = spell(gone, "s", within if within == within else None) + ("" if resets.height == 1 else " in the mean")
    return [
        Finding(
            severity=Severity.STOP_USE if moving.height >= limits["again"] else Severity.SERVICE,
            item="controller",
            measured=float(resets.height),
            limit=limits["count"],
            unit="1",
            statement=f"The controller restarted {times} in {spell(hours, 'h')} of use, {on_the_move}, "
            f"and was silent for {silent}{brown}.",
            se=resets.height**0.5,
            confidence=0.98 if resets.height >= limits["count"] else 0.9,
            persistence=min(1.0, resets["session_start_t"].n_unique() / max(watched.height, 1)),
            count=resets.height,
            duration_s=seconds(resets),
            windows=windows(resets.with_columns(pl.col("speed_ms").fill_null(0.0)), "speed_ms"),
            signals=("controller_uptime", "pack_voltage", "vehicle_speed", "controller_fault"),
            not_separable="Supply lost or controller hung: the supply voltage at the controller's plug, recorded "
            "fast, separates them.",
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    def case(count: int, rides: int = 5, speed: float = 5.0) -> Record:
        watched = Metric("controller_watched_h", 0.4, "h", n=7000)
        events = [
            Event(
                "reset",
                k * 90_000_000,
                k * 90_000_000 + 1_200_000,
                "controller",
                {"uptime_before_s": 600.0, "voltage_v": 38.0, "speed_ms": speed},
            )
            for k in range(count)
        ]
        return record(*days(1, "ride", watched, *events), *days(rides - 1, "ride", watched, first=1))

    return Cases(
        fires_on=(case(2), case(6), case(1)),
        quiet_on=(case(0), case(1, speed=0.0)),
        unassessed_on=(record(*days(1, "ride", Metric("controller_watched_h", 0.05, "h"))),),
    )


RULE = Rule(
    id="controller_resets",
    title="Controller restarts in use",
    subsystem="drive",
    severity=Severity.STOP_USE,
    when=(
        (Severity.STOP_USE, "again and again under way: drive and electric brake go each time"),
        (Severity.SERVICE, "once under way, or at a stand"),
    ),
    needs=("controller_watched_h",),
    roles=("controller_uptime", "pack_voltage", "vehicle_speed"),
    must=("controller_uptime",),
    limits=(
        Limit("count", 2, "restarts", "one may be the rider switching off and on: engineering choice"),
        Limit("moving", 1, "restarts", "under way nobody switches off and on: engineering choice"),
        Limit("again", 2, "restarts", "under way, as for a main switch that opens: engineering choice"),
        Limit("watched", 0.2, "h", "engineering choice"),
        Limit("days", 30.0, "days", "engineering choice"),
    ),
    judge=judge,
    meaning="While the controller starts there is no torque and no electric brake.",
    causes=(
        Cause(
            "Loose power or key-switch plug",
            any_of(
                bits_set("controller_fault", named=r"supply|under.?volt|power", after_s=3.0),
                less_likely_if(
                    only_by("the supply at the controller's plug, recorded while plug and key switch are shaken"),
                    bits_set("controller_fault", named="watchdog", after_s=3.0),
                ),
            ),
        ),
        Cause("Weak pack: voltage falls under load", also_found("weak_group", "resistance_outside_groups")),
        Cause("Firmware watchdog", bits_set("controller_fault", named="watchdog", after_s=3.0)),
        Cause("Moisture", only_by("a look inside the controller's plug and housing")),
    ),
    bench=(
        "Move power and switch plugs with the controller on, wheels free",
        "Read the controller's restart reasons",
        "Record its supply voltage fast during a hard pull",
    ),
    cautions=("The electric brake is gone while the controller restarts.",),
    source="definition: uptime falls back and runs on from there",
    version=4,  # silent by the controller's densest message
    cases=_cases,
)
