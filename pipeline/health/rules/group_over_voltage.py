"""A group above the highest voltage it was built for.

Physics: above its limit a cell takes lithium it cannot store and its electrolyte breaks down. How far the median group
was below tells a group that ran ahead (imbalance, resistance) from a pack charged too high (charger, regen).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, any_of, less_than, over
from herdbook.pipeline.health.reading import event_table, lately, metric_rows, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, of_chemistry
from herdbook.pipeline.health.rules._sense_wire import KEYS, by_wire
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.record import Event, Metric

LIMITS = (
    Limit(
        "beyond", 0.02, "V over the profile's limit", "engineering choice: error of usual cell monitors is 5 to 10 mV"
    ),
    of_chemistry("grave", "over_v", "V over the profile's limit"),
    Limit("least_s", 2.0, "s", "engineering choice: shorter is a pulse that cells bear"),
    Limit("least_events", 2.0, "times", "engineering choice: once is no finding unless grave"),
    Limit("days", 60.0, "days", "engineering choice: the newest stretch that is judged together"),
    Limit("ahead", 0.10, "V above the median group", "engineering choice: farther ahead, the group is the cause"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    if not metric_rows(record, "cell_over_s").height:
        return NotAssessed("group voltages or the profile's highest voltage are not known")
    events = lately(record, event_table(record, "group_over_voltage", KEYS), limits["days"])
    if not events.height:
        return []
    events = events.filter(
        ~by_wire(),
        pl.col("beyond_v").round(4) > limits["beyond"],  # 3.67 less 3.65 V is not more than 0.02
        (pl.col("end_t") - pl.col("start_t")).dt.total_milliseconds() >= limits["least_s"] * 1000,
    )
    found = []
    for (item,), part in events.group_by(["item"], maintain_order=True):
        worst = part.sort("beyond_v", descending=True)
        grave = float(worst["beyond_v"][0]) > limits["grave"]
        if part.height >= limits["least_events"] or grave:
            found.append(_finding(str(item), worst, grave, limits))
    return found


def _finding(item: str, worst: pl.DataFrame, grave: bool, limits: Mapping[str, float]) -> Finding:
    top, volts, most = worst.select("extreme_v", "limit_v", "beyond_v").row(0)
    known = worst["median_v"].drop_nulls().to_numpy()
    median = float(np.median(known)) if known.size else top
    ahead = top - median > limits["ahead"]
    charger = (worst["current_a"].fill_null(0.0) < 0).mean()
    cause = (
        f"the median group stood at {median:.2f} V, so this group ran ahead of the others"
        if ahead
        else "the other groups stood as high, so the pack as a whole was charged too far"
    )
    return Finding(
        severity=Severity.STOP_USE if grave else Severity.SERVICE,
        item=f"cell {item}",
        measured=top,
        limit=volts,
        unit="V",
        se=0.005,
        statement=f"Group {item} went to {top:.2f} V, {1000 * most:.0f} mV above its limit, "
        f"{counted(worst.height, 'time')}, {seconds(worst):.0f} s in all; {cause}.",
        confidence=0.99 if worst.height > 2 else 0.95,
        persistence=min(1.0, worst.height / 10),
        count=worst.height,
        duration_s=seconds(worst),
        windows=windows(worst, "beyond_v"),
        signals=("cell_voltage", "pack_current", "charger_state"),
        not_separable=""
        if charger
        else "No charge current was seen at the time: the reading itself may be wrong. Measure the group with a meter.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def session(day: float, *beyond: float, seconds_each: int = 20, median: float = 3.42) -> ExampleSession:
        events = [
            Event(
                "group_over_voltage",
                k * 60_000_000,
                (k * 60 + seconds_each) * 1_000_000,
                "4",
                {"extreme_v": 3.65 + b, "limit_v": 3.65, "beyond_v": b, "median_v": median, "current_a": -10.0},
            )
            for k, b in enumerate(beyond)
        ]
        return one_session(
            day, "charge", Metric("cell_over_s", float(seconds_each * len(beyond)), "s", None, 9000), *events
        )

    return Cases(
        fires_on=(record(session(0, 0.05, 0.06), session(1, 0.04)), record(session(0, 0.25))),
        quiet_on=(
            record(session(0), session(1)),
            record(session(0, 0.04)),
            record(session(0, 3.67 - 3.65, 3.67 - 3.65)),  # a rounding of the computer's is not beyond
            record(session(0, 0.05, 0.05, seconds_each=1)),
        ),
        unassessed_on=(record(one_session(0, "charge")),),
    )


RULE = Rule(
    id="group_over_voltage",
    title="A group above its voltage limit",
    subsystem="cells",
    severity=Severity.STOP_USE,
    when=(
        (Severity.STOP_USE, "a group passed its limit by more than `grave`"),
        (Severity.SERVICE, "by less, again and again"),
    ),
    needs=("cell_over_s",),
    roles=("cell_voltage",),
    limits=LIMITS,
    judge=judge,
    meaning="A group was charged past what its cells stand. It loses life each time; far past the limit it can heat "
    "up and vent.",
    causes=(
        Cause("a group far ahead of its siblings in charge", also_found("out_of_balance", same_item=True)),
        Cause(
            "a charger set too high, or one that does not obey the pack",
            any_of(
                less_than("charge_limit", "charger_current", "the current allowed", "the charger's", rules_out=False),
                over("charger_current", 0.5, "the charger's current", rules_out=False),
            ),
        ),
        Cause("regeneration into a full pack", over("vehicle_speed", 1.0, "the speed")),
        Cause("a measuring wire that misreads", also_found("loose_sense_wire", "open_sense_wire")),
    ),
    bench=(
        "measure the group at full charge with a calibrated meter",
        "check the charger's end voltage without the pack",
        "check that the pack withdraws its charge permission at the limit",
    ),
    cautions=(
        "After it is mended charge only in sight, away from exits and things that burn.",
        "A swollen, warm or smelling pack: leave it, keep away, call the fire service. Local rules prevail.",
    ),
    source="limit: the vehicle profile; absolute limit: from memory",
    cases=_cases,
    version=2,
)
