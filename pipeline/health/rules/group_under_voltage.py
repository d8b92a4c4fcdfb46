"""A group driven below the lowest voltage it was built for.

Physics: below its limit the copper of the anode's collector dissolves; on the next charge it may form a
short. A dip under load that is gone when the load is gone is the group's resistance; a low voltage at rest
is an empty group. Where the median group stands below the limit as well, the pack was emptied as a whole: one finding.
"""

from __future__ import annotations

from collections import Counter
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
    whole = (pl.col("median_v") < pl.col("limit_v") - limits["beyond"]).fill_null(False)
    emptied = pl.col("session_start_t").is_in(events.filter(whole)["session_start_t"].unique().implode())
    found = []
    pack = events.filter(emptied)
    if pack["item"].n_unique() > 1:
        events = events.filter(~emptied)
        found += _judge_one("pack", pack, record, limits)
    for (item,), part in events.group_by(["item"], maintain_order=True):
        found += _judge_one(f"cell {item}", part, record, limits)
    return found


def _judge_one(item: str, events: pl.DataFrame, record: Record, limits: Mapping[str, float]) -> list[Finding]:
    """Of one group's events, or of those of the sessions in which the pack fell as a whole."""
    worst = events.sort("beyond_v", descending=True)
    at_rest = worst.filter(pl.col("rest").fill_null(False))
    lowest = at_rest["extreme_v"].min()
    deep = isinstance(lowest, float) and lowest < limits["grave"]
    low = pl.col("limit_v") + limits["charged"] * (limits["grave"] - pl.col("limit_v"))
    charges = _charges_after(record, at_rest.filter(pl.col("extreme_v") < low))
    most = max(Counter(events["item"].to_list()).values())
    if most < limits["least_events"] and not deep and not charges:
        return []
    return [_finding(item, worst, at_rest.height, deep, charges)]


def _charges_after(record: Record, rested: pl.DataFrame) -> int:
    """Charges on record that began after the first of these events had ended."""
    if not rested.height:
        return 0
    return record.sessions.filter(pl.col("kind") == "charge", pl.col("start_t") > rested["end_t"].min()).height


def _finding(item: str, worst: pl.DataFrame, at_rest: int, deep: bool, charges: int) -> Finding:
    """at_rest: how many events without load. deep: it rested below the chemistry's grave figure. charges: that
    followed a rest far below the limit."""
    low, limit = worst.select("extreme_v", "limit_v").row(0)
    again = f" After it had rested so low it was charged {counted(charges, 'time')}." if charges else ""
    said = _of_pack(worst, at_rest) if item == "pack" else _of_group(item.removeprefix("cell "), worst, at_rest)
    return Finding(
        severity=Severity.STOP_USE if deep or charges else Severity.SERVICE,
        item=item,
        measured=low,
        limit=limit,
        unit="V",
        se=0.005,
        statement=said + again,
        confidence=0.99 if worst.height > 2 else 0.95,
        persistence=min(1.0, worst.height / 10),
        count=worst.height,
        duration_s=seconds(worst),
        windows=windows(worst, "beyond_v"),
        signals=("cell_voltage", "pack_current", "pack_soc"),
        not_separable=_unclear(item, low, at_rest),
    )


def _unclear(item: str, low: float, at_rest: int) -> str:
    if item == "pack":
        return "Ridden past its end, or stood too long: its count of charge, and what draws from it at rest, tell."
    if low < 1.0:
        return (
            "An emptied group, or a measuring wire that no neighbour and no pack voltage tells from it: a meter on the "
            "group's terminals tells."
        )
    if at_rest:
        return ""
    return (
        "High resistance, little capacity or little charge of this group: the findings on cells, or a slow discharge "
        "on the bench, tell which."
    )


def _of_group(group: str, worst: pl.DataFrame, at_rest: int) -> str:
    low, most = worst.select("extreme_v", "beyond_v").row(0)
    median = worst["median_v"].median()
    others = f"the median group stood at {median:.2f} V" if isinstance(median, float) else "the others are not known"
    where = f"{at_rest} of them without load" if at_rest else "always under load"
    text = f"Group {group} fell to {low:.2f} V, {1000 * most:.0f} mV under its limit, "
    return text + f"{counted(worst.height, 'time')} ({where}), {seconds(worst):.0f} s in all; {others}."


def _of_pack(worst: pl.DataFrame, at_rest: int) -> str:
    """The groups of a pack that fell as a whole, in one sentence: how many, and which the furthest and how long."""
    low, most, group = worst.select("extreme_v", "beyond_v", "item").row(0)
    fell, sessions = worst["item"].n_unique(), worst["session_start_t"].n_unique()
    median = worst["median_v"].min()
    middle = f"; the median group went down to {median:.2f} V." if isinstance(median, float) else "."
    text = f"The pack fell below its limit as a whole, in {counted(sessions, 'session')}: {fell} groups did, "
    text += f"group {group} the furthest, to {low:.2f} V, {1000 * most:.0f} mV under its limit, "
    text += f"for {seconds(worst.filter(pl.col('item') == group)):.0f} s in all"
    load = "partly without load" if at_rest else "always under load"
    return f"{text}, {load}{middle}"


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

    def emptied(day: float, volts: float, amps: float = 30.0) -> ExampleSession:
        """Four groups of a pack that is empty as a whole."""
        events = [
            Event(
                "group_under_voltage",
                k * 60_000_000,
                (k * 60 + 20) * 1_000_000,
                str(item),
                {
                    "extreme_v": volts - 0.01 * item,
                    "limit_v": 2.5,
                    "beyond_v": 2.5 - volts + 0.01 * item,
                    "median_v": volts,
                    "current_a": amps,
                },
            )
            for k in range(2)
            for item in range(1, 5)
        ]
        return one_session(day, "ride", Metric("cell_under_s", 160.0, "s", None, 9000), *events)

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
            record(emptied(0, 2.3)),
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
    meaning="A group, or the whole pack, was emptied past what its cells stand. It loses capacity. Below the limit, "
    "copper of the anode's foil dissolves, and charging again can make it a short inside: a group that rested so low "
    "and was then charged must be judged by a qualified person before the pack is used on.",
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
    version=3,
)
