"""A group driven below the lowest voltage it was built for.

Physics: below its limit the copper of the anode's collector dissolves; on the next charge it may form a
short. A dip under load that is gone when the load is gone is the group's resistance; a low voltage at rest
is an empty group.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, any_of, less_than, reads_in, under
from herdbook.pipeline.health.reading import event_table, lately, metric_rows, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, of_chemistry
from herdbook.pipeline.health.rules._sense_wire import KEYS, by_wire
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.record import Event, Metric

LIMITS = (
    Limit(
        "beyond", 0.02, "V under the profile's limit", "engineering choice: error of usual cell monitors is 5 to 10 mV"
    ),
    Limit("least_s", 2.0, "s", "engineering choice: shorter is a load pulse"),
    Limit("rest_c", 0.05, "C", "engineering choice: at less current than this the voltage is no load dip"),
    of_chemistry("grave", "deep_v", "V at rest"),
    Limit(
        "charged", 0.5, "of the way from the profile's limit to grave", "engineering choice: rested lower, then charged"
    ),
    Limit("least_events", 2.0, "times", "engineering choice: once is no finding unless grave"),
    Limit("days", 60.0, "days", "engineering choice: the newest stretch that is judged together"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    if not metric_rows(record, "cell_under_s").height:
        return NotAssessed("group voltages or the profile's lowest voltage are not known")
    events = lately(record, event_table(record, "group_under_voltage", KEYS), limits["days"])
    if not events.height:
        return []
    rest_a = limits["rest_c"] * record.profile.pack_figures.rated_ah
    events = events.filter(
        ~by_wire(),
        pl.col("beyond_v") > limits["beyond"],
        (pl.col("end_t") - pl.col("start_t")).dt.total_milliseconds() >= limits["least_s"] * 1000,
    ).with_columns(rest=pl.col("current_a") < rest_a)  # charging lifts the voltage: no load dip either
    found = []
    for (item,), part in events.group_by(["item"], maintain_order=True):
        worst = part.sort("beyond_v", descending=True)
        at_rest = worst.filter(pl.col("rest").fill_null(False))
        lowest = at_rest["extreme_v"].min()
        deep = isinstance(lowest, float) and lowest < limits["grave"]
        low = pl.col("limit_v") + limits["charged"] * (limits["grave"] - pl.col("limit_v"))
        charges = _charges_after(record, at_rest.filter(pl.col("extreme_v") < low))
        if part.height >= limits["least_events"] or deep or charges:
            found.append(_finding(str(item), worst, at_rest.height, deep, charges))
    return found


def _charges_after(record: Record, rested: pl.DataFrame) -> int:
    """Charges on record that began after the first of these events had ended."""
    if not rested.height:
        return 0
    return record.sessions.filter(pl.col("kind") == "charge", pl.col("start_t") > rested["end_t"].min()).height


def _finding(item: str, worst: pl.DataFrame, at_rest: int, deep: bool, charges: int) -> Finding:
    """at_rest: how many events without load. deep: it rested below the chemistry's grave figure. charges: that
    followed a rest far below the limit."""
    low, limit, most = worst.select("extreme_v", "limit_v", "beyond_v").row(0)
    median = worst["median_v"].median()
    others = f"the median group stood at {median:.2f} V" if isinstance(median, float) else "the others are not known"
    where = f"{at_rest} of them without load" if at_rest else "always under load"
    again = f" After it had rested so low it was charged {counted(charges, 'time')}." if charges else ""
    return Finding(
        severity=Severity.STOP_USE if deep or charges else Severity.SERVICE,
        item=f"cell {item}",
        measured=low,
        limit=limit,
        unit="V",
        se=0.005,
        statement=f"Group {item} fell to {low:.2f} V, {1000 * most:.0f} mV under its limit, "
        f"{counted(worst.height, 'time')} ({where}), {seconds(worst):.0f} s in all; {others}.{again}",
        confidence=0.99 if worst.height > 2 else 0.95,
        persistence=min(1.0, worst.height / 10),
        count=worst.height,
        duration_s=seconds(worst),
        windows=windows(worst, "beyond_v"),
        signals=("cell_voltage", "pack_current", "pack_soc"),
        not_separable="An emptied group, or a measuring wire that no neighbour and no pack voltage tells from it: a "
        "meter on the group's terminals tells."
        if low < 1.0
        else ""
        if at_rest
        else "High resistance, little capacity or little charge of this group: the findings on cells, or a slow "
        "discharge on the bench, tell which.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def session(day: float, *beyond: float, amps: float = 30.0) -> ExampleSession:
        events = [
            Event(
                "group_under_voltage",
                k * 60_000_000,
                (k * 60 + 20) * 1_000_000,
                "4",
                {"extreme_v": 2.5 - b, "limit_v": 2.5, "beyond_v": b, "median_v": 3.0, "current_a": amps},
            )
            for k, b in enumerate(beyond)
        ]
        return one_session(day, "ride", Metric("cell_under_s", 20.0 * len(beyond), "s", None, 9000), *events)

    def open_wire() -> ExampleSession:
        """Nought volts at rest beside a neighbour that reads as much too much: a wire, not a group."""
        data = {"extreme_v": 0.0, "limit_v": 2.5, "beyond_v": 2.5, "median_v": 3.3, "current_a": 0.0}
        event = Event("group_under_voltage", 0, 60_000_000, "4", data | {"neighbour": 5.0, "neighbour_v": 5.0})
        return one_session(0, "rest", Metric("cell_under_s", 60.0, "s", None, 9000), event)

    return Cases(
        fires_on=(
            record(session(0, 0.1, 0.2), session(1, 0.1)),
            record(session(0, 0.7, amps=0.1)),
            record(session(0, 0.7, amps=-20.0)),  # below 2 V while charging
            record(session(0, 0.4, amps=0.1), one_session(1, "charge")),  # rested at 2.1 V, then charged
        ),
        quiet_on=(
            record(session(0, 0.7)),
            record(session(0, 0.1, amps=0.1), one_session(1, "charge")),  # once at 2.4 V
            record(session(0, 0.4, amps=0.1)),  # not charged since
            record(session(0), session(1)),
            record(session(0, 0.1)),
            record(open_wire()),
        ),
        unassessed_on=(record(one_session(0, "ride")),),
    )


RULE = Rule(
    id="group_under_voltage",
    title="A group below its voltage limit",
    subsystem="cells",
    severity=Severity.STOP_USE,
    when=(
        (Severity.STOP_USE, "a group rested below `grave`, or far below its limit and was charged after that"),
        (Severity.SERVICE, "it fell below its limit otherwise"),
    ),
    needs=("cell_under_s",),
    roles=("cell_voltage",),
    limits=LIMITS,
    judge=judge,
    meaning="A group was emptied past what its cells stand. It loses capacity. Below the limit, copper of the anode's "
    "foil dissolves, and charging the group again can make it a short inside: a group that rested so low and was then "
    "charged must be judged by a qualified person before the pack is used on.",
    causes=(
        Cause(
            "a group with little charge, little capacity or high resistance",
            also_found("out_of_balance", "low_capacity_group", "leaking_group", "weak_group", same_item=True),
        ),
        Cause(
            "the pack was ridden on after its warning",
            any_of(
                less_than(
                    "discharge_limit", "pack_current", "the current allowed", "the current drawn", rules_out=False
                ),
                under("pack_soc", 10.0, "the reported charge", rules_out=False),
            ),
        ),
        Cause(
            "the cut-off of the electronics is set too low or does not work",
            reads_in("contactor_state", "closed", rules_out=False, late=True),
        ),
    ),
    bench=(
        "measure the group at rest with a meter",
        "check that the pack opens its switch at the limit, with a load on the bench",
        "look at the other findings on this group",
    ),
    cautions=(
        "A group that rested below its limit can short inside when charged: a qualified person must judge it.",
        "Special transport rules hold for damaged or defective lithium batteries. Local rules prevail.",
    ),
    source="limit: the vehicle profile; grave: the chemistry",
    cases=_cases,
    version=2,
)
