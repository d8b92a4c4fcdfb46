"""A group that loses charge by itself: its place among its siblings sinks in proportion to time.

Physics: a soft short is a resistor across the group, I = dQ/dt. Read at the same knee each time, so that the
curve does not enter; what the balancer took from each group is added back first, since bleeding the others
hides a leak.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Times
from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, only_by
from herdbook.pipeline.health.pack.leak import (
    LEAST_DAYS,
    LEAST_READINGS,
    LONG_DAYS,
    MONTH_H,
    UNIT,
    bled_before,
    newest,
    rate_a_month,
)
from herdbook.pipeline.health.pack.offsets import Offsets, offsets, uneven
from herdbook.pipeline.health.pack.string import string_fit, too_loose
from herdbook.pipeline.health.pooled import pooled
from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, Window
from herdbook.pipeline.health.rules._sense_wire import unread
from herdbook.pipeline.health.rules._string_words import Spoken, from_fit
from herdbook.pipeline.health.sentences import to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence
from herdbook.pipeline.health.trend import beside_trend, mann_kendall
from herdbook.pipeline.science.string_fit import Weighed, Why
from herdbook.pipeline.vehicle.record import Metric

LIMITS = (
    Limit("look", 4.0, UNIT, "common practice: cells with their electronics lose 1 to 3 % a month, all alike"),
    Limit("act", 8.0, UNIT, "engineering choice: twice the look limit; the pack is out of balance within a month"),
    Limit(
        "plain",
        20.0,
        UNIT,
        "engineering choice: a fifth of the range; who could not see that has not looked",
    ),
    Limit("z", 3.5, "standard errors", "engineering choice: under 1 in 4,000 by chance; the trend test comes on top"),
    Limit(
        "least_sessions", LEAST_READINGS, "readings", "engineering choice: a slope with fewer has no honest interval"
    ),
    Limit(
        "least_days", LEAST_DAYS, "days", "engineering choice: shorter, balance and temperature still move the reading"
    ),
    Limit(
        "below", 0.5, "% of rated charge", "engineering choice: without a record of bleeding, a leak must stand below"
    ),
    Limit("own_bleed", 0.25, "share of time", "engineering choice: then its own balancing resistor explains it"),
    Limit("late_days", 28.0, "days", "engineering choice: five weekly charges, for a leak that has only begun"),
    Limit("days", 40.0, "days", "engineering choice: the newest stretch, so that a leak that began late shows"),
    Limit("long_days", LONG_DAYS, "days", "engineering choice: and a longer one, for the slow"),
)


STUCK = (
    "A balancing resistor that is stuck on drains its group in the same way: measure the group's current with the "
    "electronics unplugged."
)


@dataclass(frozen=True, slots=True)
class Sinking:
    """rate: % of rated charge a month against the median group, negative when it sinks; se: its error."""

    item: str
    rate: float
    se: float
    p: float
    n: int
    stands: float  # % above the median group in the newest third of the readings
    starts: Times  # us
    ends: Times
    bled_known: bool


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    rated = record.profile.pack_figures.rated_ah
    drifts = [
        d
        for days in (limits["late_days"], limits["days"], limits["long_days"])
        for d in _drifts(record, rated, days)
        if d.n >= limits["least_sessions"] and (d.starts[-1] - d.starts[0]) / 86_400e6 >= limits["least_days"]
    ]
    fit = string_fit(record)
    if len(drifts) < 3 and not fit.looked:
        return NotAssessed(
            f"fewer than {limits['least_sessions']:.0f} charges to the knee near full, spread over at least "
            f"{limits['least_days']:.0f} days" + uneven(record) + too_loose(record)
        )
    bleeding = pooled(record, "cell_bleed_idle_share", last_days=limits["days"], kinds=("ride", "rest", "bench"))
    idle = {item for item, p in bleeding.items() if p.value > limits["own_bleed"]}
    clearest: dict[str, Sinking] = {}
    idle |= unread(record)
    for d in drifts:
        best = clearest.get(d.item)
        if best is None or d.rate / d.se < best.rate / best.se:
            clearest[d.item] = d
    found = [_finding(d, rated, limits) for d in clearest.values() if d.item not in idle and _leaks(d, limits)]
    whole = from_fit(record, _WHOLE, {f.item.removeprefix("cell ") for f in found} | idle, limits)
    found += whole if bleeding else [replace(f, not_separable=f"{f.not_separable} {STUCK}".strip()) for f in whole]
    if not found and len(drifts) < 3 and not fit.could_show(Why.LEAK, limits["plain"] / 100.0 / MONTH_DAYS):
        return NotAssessed(
            f"what was logged would not show a group that loses {limits['plain']:.0f} % a month more than others: "
            "the voltage moved too little, or the days are too few" + uneven(record)
        )
    return found


MONTH_DAYS = MONTH_H / 24.0


def _sentence(item: str, w: Weighed) -> str:
    month = 100 * MONTH_DAYS
    lost, error = to_error(month * w.size, month * w.se)
    return (
        f"Group {item} loses {lost} % of rated charge a month more than its siblings (standard error "
        f"{error} %): it falls behind from day to day, ridden or not."
    )


_WHOLE = Spoken(Why.LEAK, 100.0 * MONTH_DAYS, UNIT, _sentence)


def _drifts(record: Record, rated: float, days: float) -> list[Sinking]:
    """Per group: what its offset at the knee near full, with its bled charge added back, does over time."""
    bled = metric_rows(record, "cell_bled_ah").sort("start_t")
    return [_drift(o, bled, rated) for o in offsets(record, "top", days).values() if o.values.size >= 3]


def _drift(o: Offsets, bled: pl.DataFrame, rated: float) -> Sinking:
    t = o.starts
    hours = (t - t[0]) / 3.6e9
    y = o.values + 100.0 / rated * bled_before(o.item, bled, t)
    rate, se = rate_a_month(hours, y, float(np.median(o.own)))
    return Sinking(
        item=o.item,
        rate=rate,
        se=se,
        p=mann_kendall(y, beside_trend(hours, y)).p,
        n=t.size,
        stands=newest(o),
        starts=t,
        ends=o.ends,
        bled_known=bled.height > 0,
    )


def _leaks(d: Sinking, limits: Mapping[str, float]) -> bool:
    below = d.bled_known or d.stands < -limits["below"]  # a leading group that is bled back sinks as well
    return below and -d.rate - limits["look"] > limits["z"] * d.se and d.p < 0.05


def _finding(d: Sinking, rated: float, limits: Mapping[str, float]) -> Finding:
    act = -d.rate - limits["act"] > limits["z"] * d.se
    limit = limits["act"] if act else limits["look"]
    to_ma = rated / 100 / MONTH_H * 1000
    lost, error = to_error(-d.rate * to_ma, d.se * to_ma)
    spans = zip(d.starts[::-1], d.ends[::-1], strict=True)
    unclear = "" if d.bled_known else STUCK
    return Finding(
        severity=Severity.SERVICE if act else Severity.NOTE,
        item=f"cell {d.item}",
        measured=-d.rate,
        limit=limit,
        unit=UNIT,
        se=d.se,
        statement=f"Group {d.item} loses {lost} mA more than its siblings (standard error {error} mA; "
        f"{to_error(-d.rate, d.se)[0]} % of rated charge a month, {d.n} readings).",
        confidence=confidence(-d.rate, limit, d.se),
        persistence=1.0,
        count=d.n,
        duration_s=float(d.ends[-1] - d.starts[0]) / 1e6,
        windows=tuple(Window(int(a), int(b)) for a, b in spans)[:10],
        signals=("cell_voltage", "cell_bleed", "pack_current"),
        not_separable=unclear,
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def week(*pct: float, se: float = 0.15, every: float = 2.0, bled: float = 0.0) -> list[ExampleSession]:
        """Charges every so many days, in which group 4 stands at pct and the other groups at 0."""
        out = []
        for k, value in enumerate(pct):
            parts = [Metric("cell_offset_top_pct", 0.003 * (k % 2), "%", se, 500, item=str(g)) for g in range(1, 6)]
            parts.append(Metric("cell_offset_rows", 500.0, "1", None, 500))
            parts[3] = Metric("cell_offset_top_pct", value, "%", se, 500, item="4")
            if bled:
                parts += [
                    Metric("cell_bled_ah", 0.0 if g == 4 else bled, "Ah", None, 1, item=str(g)) for g in range(1, 6)
                ]
            out.append(one_session(every * k, "charge", *parts))
        return out

    return Cases(
        fires_on=(
            record(*week(0, -0.9, -1.7, -2.6, -3.5, -4.4, -5.3)),
            record(*week(0, -0.01, 0.0, 0.01, 0.0, -0.01, 0.0, bled=0.25)),  # held level only by bleeding the others
        ),
        quiet_on=(
            record(*week(0, 0.1, -0.1, 0.0, 0.1, -0.1, 0.0)),
            record(*week(-6, -6.1, -5.9, -6, -6.05, -5.95, -6)),  # out of balance, but steady
            record(*week(0, 0, 0, -5, 0, 0, 0)),  # one odd reading
            record(*week(0, -0.9, -1.7, -2.6, -3.5, -4.4, -5.3, se=9.0)),  # cannot be told from noise
        ),
        unassessed_on=(record(*week(0, -0.9, -1.7)), record(one_session(0, "charge"))),
    )


_UNPLUGGED = "the group's voltage, followed for a week with its sense plug off and then on,"


RULE = Rule(
    id="leaking_group",
    title="A group that leaks",
    subsystem="cells",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "the loss is past `act`"),
        (Severity.NOTE, "past `look`, or past `act` and not shown well enough to act on"),
    ),
    needs=("cell_offset_rows",),
    roles=("cell_voltage", "pack_current"),
    limits=LIMITS,
    judge=judge,
    meaning="One group loses charge faster than its siblings, riding or not. The cause may be a small short inside a "
    "cell, which can grow.",
    causes=(
        Cause("a soft short inside a cell", only_by(_UNPLUGGED)),
        Cause("a balancing resistor or its switch that is stuck on", also_found("balancer_stuck", same_item=True)),
        Cause("moisture or dirt across the group's tap or sense wires", only_by(_UNPLUGGED)),
    ),
    bench=(
        "disconnect the sense plug and follow each group's voltage for a week after a full charge",
        "measure the current in the group's sense wires with the electronics asleep",
        "look for warmth at the group and at its bleed resistor with the pack at rest",
    ),
    cautions=(
        "A growing internal short can end in fire. Store the pack apart, outdoors or in a fire-safe place, "
        "and charge it only attended.",
        "Special transport rules hold for damaged lithium batteries. Local rules prevail.",
    ),
    source=("method: I = dQ/dt at the same knee; P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379; limits: see each"),
    cases=_cases,
    version=7,
)
