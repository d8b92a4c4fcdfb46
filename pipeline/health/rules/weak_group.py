"""A group of cells whose resistance stands out from its siblings.

Physics: the extra voltage flips with the current, is in proportion to it, and is gone at rest. The ratio to
the pack's median needs no temperature or charge correction, since the siblings share both.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, only_by
from herdbook.pipeline.health.newest_level import FEW, sibling_spread, since_step, with_siblings
from herdbook.pipeline.health.pooled import Pooled, pooled, surely_over
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._sense_wire import unread
from herdbook.pipeline.health.sentences import counted, to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, surely_passed, worth_acting
from herdbook.pipeline.health.trend import beside_trend, mann_kendall, reaches, theil_sen
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.record import Metric

UNIT = "times the median group"
SEVERAL = 8  # sessions from which on a group tells its own scatter (engineering choice)
LIMITS = (
    Limit("look", 1.3, UNIT, "common practice: 15 % either way is usual, 30 % is worth a look"),
    Limit("act", 1.4, UNIT, "engineering choice: short of the usual end of life, 1.5 to 2 times new"),
    Limit("z", 4.0, "standard errors", "engineering choice: under 1 in 30,000 by chance for one group"),
    Limit("days", 21.0, "days", "engineering choice: the newest stretch that is judged together"),
    Limit("own", 0.05, UNIT, "engineering choice: charge and warmth move the ratio from ride to ride by so much"),
    Limit("plain", 2.0, UNIT, "common practice: the end of life; who could not see that has not looked"),
    Limit("rising_from", 1.15, UNIT, "common practice: within 15 % is the usual spread, so growth there is no matter"),
    Limit("rising", 0.03, "times the median group a month", "engineering choice: a tenth of the way to `look`"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    hidden = unread(record)
    measured = pooled(record, "cell_r_ratio", last_days=limits["days"])
    groups = {item: since_step(p, limits["own"]) for item, p in measured.items() if item not in hidden}
    groups = with_siblings(groups, SEVERAL)
    if not groups:
        return NotAssessed("no ride had load that changed enough to measure the resistance of each group")
    spread = sibling_spread(groups)
    groups = {item: p if p.count >= FEW else replace(p, se=math.hypot(p.se, spread)) for item, p in groups.items()}
    over_time = pooled(record, "cell_r_ratio", last_days=180.0)
    found = []
    for item, p in groups.items():
        rise = _rise(over_time[item], limits)
        if _stands_out(p, limits):
            found.append(_finding(p, rise, limits))
        elif rise is not None and p.value > limits["rising_from"] and p.value < limits["look"]:
            found.append(_warning(p, rise, limits))
    shows = limits["act"] + limits["z"] * median(np.array([p.se for p in groups.values()]))
    if not found and shows > limits["plain"]:
        return NotAssessed(
            f"with what was logged a group would show only from {shows:.1f} times the median group's resistance on"
        )
    return found


@dataclass(frozen=True, slots=True)
class ResistanceRise:
    """Growth a month with its interval, and in how many days from the newest ride `look` and `act` are reached."""

    month: float
    low: float
    high: float
    to_look: tuple[float, float | None] | None
    to_act: tuple[float, float | None] | None


def _rise(p: Pooled, limits: Mapping[str, float]) -> ResistanceRise | None:
    """None when the rides do not prove growth past the limit `rising`."""
    days = (p.starts - p.starts[0]) / 1e6 / 86400
    if p.count < 6 or np.ptp(days) < 7:
        return None
    fewer = beside_trend(days, p.values)  # neighbours share the day's warmth and charge
    if mann_kendall(p.values, fewer).p > 0.01:
        return None
    line = theil_sen(days, p.values, fewer=fewer)
    if line.low * 30.4375 < limits["rising"]:
        return None

    def ahead(limit: float) -> tuple[float, float | None] | None:
        found = reaches(days, p.values, limit)
        if found is None or found.likely < days[-1]:
            return None
        return max(0.0, found.earliest - days[-1]), None if found.latest is None else found.latest - days[-1]

    scale = 30.4375
    return ResistanceRise(
        line.slope * scale, line.low * scale, line.high * scale, ahead(limits["look"]), ahead(limits["act"])
    )


def _when(span: tuple[float, float | None] | None, limit: float) -> str:
    if span is None:
        return ""
    late = "or later" if span[1] is None else f"to {span[1]:.0f}"
    return f" If it goes on like this it reaches {limit:g} in {span[0]:.0f} {late} days from the newest ride."


def _warning(p: Pooled, rise: ResistanceRise, limits: Mapping[str, float]) -> Finding:
    """Not past a limit yet, and certainly on its way: a note with a range of dates, or none."""
    return Finding(
        severity=Severity.NOTE,
        item=f"cell {p.item}",
        measured=rise.month,
        limit=limits["rising"],
        unit="times the median group a month",
        se=(rise.high - rise.low) / 3.92,
        statement=f"The resistance of group {p.item} is {p.value:.2f} times the median group's and grows by "
        f"{rise.month:.2f} a month ({rise.low:.2f} to {rise.high:.2f})." + _when(rise.to_look, limits["look"]),
        confidence=0.95,
        persistence=1.0,
        count=p.count,
        duration_s=p.duration_s,
        windows=p.windows(),
        signals=("cell_voltage", "pack_current"),
        not_separable="Ageing of a cell and a joint that works loose grow alike: a four-wire measurement tells.",
    )


def _stands_out(p: Pooled, limits: Mapping[str, float]) -> bool:
    return surely_over(p, limits["look"], limits["z"])


def _finding(p: Pooled, rise: ResistanceRise | None, limits: Mapping[str, float]) -> Finding:
    bounds = {name: limits[name] for name in ("look", "act", "z")}
    act = worth_acting(p.value, p.se, **bounds)
    limit = surely_passed(p.value, p.se, **bounds)
    value, error = to_error(p.value, p.se)
    return Finding(
        severity=Severity.SERVICE if act else Severity.NOTE,
        item=f"cell {p.item}",
        measured=p.value,
        limit=limit,
        unit=UNIT,
        se=p.se,
        statement=f"Group {p.item} has {value} times the resistance of the pack's median group (standard error "
        f"{error}, {counted(p.count, 'ride')})."
        + (f" It grows by {rise.month:.2f} a month." + _when(rise.to_act, limits["act"]) if rise else ""),
        confidence=confidence(p.value, limit, p.se),
        persistence=p.share_over(limits["look"]),
        count=p.count,
        duration_s=p.duration_s,
        windows=p.windows(),
        signals=("cell_voltage", "pack_current"),
        not_separable="Cell, weld and bus-bar inside this tap look alike here: a four-wire measurement over the cell "
        "and over the joint apart tells them.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def ride(day: float, ratio: float, se: float = 0.02) -> ExampleSession:
        others = [Metric("cell_r_ratio", 1.0, "1", se, 4000, item=str(k)) for k in range(1, 6)]
        return one_session(day, "ride", *others, Metric("cell_r_ratio", ratio, "1", se, 4000, item="6"))

    return Cases(
        fires_on=(
            record(ride(0, 1.6), ride(1, 1.62), ride(3, 1.58)),
            record(ride(0, 1.40, 0.01), ride(2, 1.40, 0.01)),
            record(ride(0, 2.72)),  # one ride is what a returned unit brings
            record(*(ride(k, 1.0) for k in range(8)), ride(9, 1.9), ride(10, 1.85)),  # since the ninth ride
            record(*(ride(5 * k, 1.05 + 0.02 * k) for k in range(9))),  # on its way
        ),
        quiet_on=(
            record(ride(0, 1.1), ride(1, 1.12), ride(2, 1.08)),  # usual spread
            record(ride(0, 1.0), ride(1, 1.9), ride(2, 1.0), ride(3, 1.02)),  # one odd ride
            record(ride(0, 1.4, 0.1), ride(1, 1.45, 0.1)),  # too uncertain to say
            record(*(ride(5 * k, 1.20 + 0.01 * (k % 3)) for k in range(9))),  # high, and steady
        ),
        unassessed_on=(record(ride(0, 1.2, 0.5)), record(one_session(0, "ride"))),  # nothing under 3 would show
    )


RULE = Rule(
    id="weak_group",
    title="A group with high resistance",
    subsystem="cells",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "the ratio is surely past `look`, and past `act` within its error"),
        (Severity.NOTE, "surely past `look`, or growing towards it"),
    ),
    needs=("cell_r_ratio",),
    roles=("cell_voltage", "pack_current"),
    limits=LIMITS,
    judge=judge,
    meaning="One group loses more voltage under load than its siblings. It limits power and range, heats up, and "
    "reaches the voltage limits first, in both directions.",
    causes=(
        Cause(
            "an aged or damaged cell in the group",
            only_by("the resistance of each cell, or of the group beside two siblings"),
        ),
        Cause(
            "a parallel cell that has dropped out, or its weld",
            also_found("low_capacity_group", same_item=True, tells=False),
        ),
        Cause("a loose or corroded joint within the group's tap", also_found("loose_sense_wire")),
    ),
    bench=(
        "measure the group's resistance with a milliohm meter and with a 10 s current step, next to two siblings",
        "measure the voltage across each joint at a known current",
        "compare the temperature of the group and its joints after ten minutes of load",
    ),
    cautions=(
        "A joint with high resistance can get hot enough to burn. Stop riding at smell, smoke or swelling.",
        "Only a qualified person opens a pack: its energy cannot be switched off. Local rules prevail.",
    ),
    source="method: regression of each group's deviation on current; limits: see each",
    cases=_cases,
    version=4,
)
