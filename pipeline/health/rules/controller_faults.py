"""Controller, motors or pack report faults themselves. What a bit means is the maker's: it is
passed on, not guessed."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import at_the_same_time, bits_set
from herdbook.pipeline.health.reading import event_table, metric_rows, recent, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import largest
from herdbook.pipeline.vehicle.record import Event, Metric
from herdbook.pipeline.vehicle.roles import MOTORS

CONTROLLER = "controller"
SEEN = ("encoder_dropout", "reset", "link_loss", "derating", "torque_after_release")
NEAR_S = 5.0
UNITS = (CONTROLLER, *MOTORS)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    watched = metric_rows(record, "fault_count").filter(pl.col("item").is_in(UNITS))
    if not watched.height:
        return NotAssessed("no fault bits recorded")
    events = recent(event_table(record, "fault_bits", ("bits", "lasted_s", "speed_ms")), limits["days"])
    events = events.filter(pl.col("item").is_in(UNITS))
    events = _unexplained(record, events)
    found = []
    for (item,), hit in sorted(events.group_by(["item"], maintain_order=True), key=lambda pair: str(pair[0])):
        who = str(item)
        longest = largest(hit["lasted_s"])
        if hit.height < limits["count"] and longest < limits["duration"]:
            continue
        joined = int(np.bitwise_or.reduce(hit["bits"].drop_nulls().cast(int).to_numpy()))
        role, index = ("controller_fault", "") if who == CONTROLLER else ("motor_fault", who)
        named = [record.profile.fault_name(role, index, b) for b in range(32) if joined >> b & 1]
        bits = ", ".join(named)
        if all(name.startswith("bit ") for name in named):
            bits = "bits " + ", ".join(name.removeprefix("bit ") for name in named)
        looked = watched.filter(watched["item"] == who)["start_t"].n_unique()
        sessions = hit["session_start_t"].n_unique()
        found.append(
            Finding(
                severity=Severity.NOTE,
                item=who,
                measured=float(hit.height),
                limit=limits["count"],
                unit="1",
                statement=f"{_named(who)} reported faults {counted(hit.height, 'time')} in {sessions} of "
                f"{counted(looked, 'session')} ({bits}), for up to {longest:.1f} s.",
                confidence=0.97,
                persistence=min(1.0, sessions / max(looked, 1)),
                count=hit.height,
                duration_s=float(hit["lasted_s"].fill_null(0.0).sum()),
                windows=windows(hit, "lasted_s"),
                signals=(role, "vehicle_speed", "pack_voltage"),
                not_separable="What a bit means, and so the cause, is in the maker's list, not in these data.",
            )
        )
    return found


def _named(unit: str) -> str:
    return "The controller" if unit == CONTROLLER else f"The {unit} motor"


def _unexplained(record: Record, faults: pl.DataFrame) -> pl.DataFrame:
    """Without those that begin within NEAR_S of what another rule sees."""
    braking = event_table(record, "braking", ("dropout_s", "pack_over_s", "link_over_s"))
    wrong = braking.filter(pl.max_horizontal("dropout_s", "pack_over_s", "link_over_s") > 0)
    spans = [wrong.select("start_t", "end_t")]
    spans += [event_table(record, kind).select("start_t", "end_t") for kind in SEEN]
    known = pl.concat(spans)
    near = round(NEAR_S * 1e6)
    first, last = (known[c].to_physical().to_numpy() for c in ("start_t", "end_t"))
    at = faults["start_t"].to_physical().to_numpy()
    beside = ((at[:, None] >= first - near) & (at[:, None] <= last + near)).any(axis=1)
    return faults.filter(~pl.Series(beside, dtype=pl.Boolean))


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    def case(count: int, lasted: float, item: str = "left", beside: str = "") -> Record:
        at = [k * 60_000_000 for k in range(count)]
        events = [Event("fault_bits", t, t + int(lasted * 1e6), item, {"bits": 5.0, "lasted_s": lasted}) for t in at]
        events += [Event(beside, t - 200_000, t + 200_000, item) for t in at if beside]
        return record(*days(1, "ride", Metric("fault_count", count, "1", n=9000, item=item), *events))

    return Cases(
        fires_on=(case(4, 0.5), case(1, 30.0, "controller")),
        quiet_on=(case(0, 0.0), case(2, 0.5), case(4, 0.5, beside="encoder_dropout")),
        unassessed_on=(record(*days(1, "ride", Metric("reset_count", 0, "1"))),),
    )


RULE = Rule(
    id="controller_faults",
    title="Fault reported by controller or motor",
    subsystem="drive",
    severity=Severity.NOTE,
    needs=("fault_count",),
    roles=("controller_fault", "motor_fault"),
    must=("controller_fault|motor_fault",),
    limits=(
        Limit("count", 3, "times", "engineering choice"),
        Limit("duration", 10.0, "s", "a single one this long counts: engineering choice"),
        Limit("days", 30.0, "days", "engineering choice"),
    ),
    judge=judge,
    meaning="The vehicle's own monitoring saw something. The other findings at the same times say what it did.",
    causes=(
        Cause("See the maker's list for these bits", bits_set("motor_fault", "controller_fault")),
        Cause(
            "See the other findings of the same times",
            at_the_same_time(
                "encoder_dropout",
                "controller_resets",
                "link_loss",
                "contactor_opened_under_load",
                "braking_over_voltage",
                "regen_dropout",
                "torque_after_release",
                "power_stage_hot",
                "winding_hot",
            ),
        ),
    ),
    bench=("Read the fault memory with the maker's tool", "Compare the times with the other findings"),
    cautions=(),
    source="bits as sent by the vehicle",
    cases=_cases,
)
