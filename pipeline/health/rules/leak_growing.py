"""A group whose self-discharge grows from week to week: early warning, before the loss itself is large.

Physics: a soft short that settles stays what it is; one that grows (a dendrite, a burr working through the separator)
ends badly. The readings are the same as for a leaking group: place among the siblings at the knee near full, with
what the balancer took added back. Their slope is taken over the earlier and the later half of the record; growth is
the difference over the time between the halves' middles. A date for the limit is given only as a range, and only
where the interval of the growth leaves zero out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, only_by
from herdbook.pipeline.health.pack.leak import MONTH_H, UNIT, bled_before, newest, rate_a_month
from herdbook.pipeline.health.pack.offsets import Offsets, offsets
from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, Window
from herdbook.pipeline.health.sentences import to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence
from herdbook.pipeline.vehicle.record import Metric

LIMITS = (
    Limit("growth", 0.5, UNIT + ", each month", "engineering choice: slower, a year passes before it matters"),
    Limit("least", 1.5, UNIT, "engineering choice: the later half must show a loss, not only an end of a gain"),
    Limit("act", 8.0, UNIT, "engineering choice: as for a leaking group"),
    Limit("z", 4.0, "standard errors", "engineering choice: sixteen groups a pack, under one in a thousand by chance"),
    Limit("least_readings", 5.0, "readings", "engineering choice: in each half; a slope with fewer has no interval"),
    Limit("least_days", 10.0, "days", "engineering choice: length of each half"),
    Limit("below", 0.5, "% of rated charge", "engineering choice: without a record of bleeding, it must stand below"),
    Limit("days", 120.0, "days", "engineering choice: how far back the record is read"),
)


@dataclass(frozen=True, slots=True)
class Growth:
    """early, late: loss in % of rated charge a month, with errors; growth: late less early, a month; all positive when
    the group loses more."""

    item: str
    early: float
    early_se: float
    late: float
    late_se: float
    growth: float
    growth_se: float
    stands: float
    n: int
    starts: Times
    ends: Times


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    bled = metric_rows(record, "cell_bled_ah").sort("start_t")
    rated = record.profile.pack_figures.rated_ah
    known = []
    for o in offsets(record, "top", limits["days"]).values():
        y = o.values + 100.0 / rated * bled_before(o.item, bled, o.starts)
        found = _growth(o, o.starts, y, limits)
        if found is not None:
            known.append(found)
    if len(known) < 3:
        return NotAssessed(
            f"fewer than {2 * limits['least_readings']:.0f} charges to the knee near full over at least "
            f"{2 * limits['least_days']:.0f} days"
        )
    return [_finding(g, rated, limits) for g in known if _grows(g, bled.height > 0, limits)]


def _growth(o: Offsets, t: Times, y: Floats, limits: Mapping[str, float]) -> Growth | None:
    """None when one half of the record is too thin."""
    if t.size < 2 * limits["least_readings"]:
        return None
    halves = t < (t[0] + t[-1]) // 2
    if min(halves.sum(), (~halves).sum()) < limits["least_readings"]:
        return None
    if (t[-1] - t[0]) / 86_400e6 < 2 * limits["least_days"]:
        return None
    own = float(np.median(o.own))
    (early, early_se, middle), (late, late_se, after) = (_loss(t[half], y[half], own) for half in (halves, ~halves))
    months = (after - middle) / MONTH_H
    growth_se = float(np.hypot(early_se, late_se)) / months
    growth = (late - early) / months
    return Growth(
        item=o.item,
        early=early,
        early_se=early_se,
        late=late,
        late_se=late_se,
        growth=growth,
        growth_se=growth_se,
        stands=newest(o),
        n=t.size,
        starts=t,
        ends=o.ends,
    )


def _loss(t: Times, y: Floats, own: float) -> tuple[float, float, float]:
    """Loss a month with its error, and the middle of the times in hours."""
    hours = t / 3.6e9
    rate, se = rate_a_month(hours, y, own)
    return -rate, se, float(hours.mean())


def _grows(g: Growth, bled_known: bool, limits: Mapping[str, float]) -> bool:
    below = bled_known or g.stands < -limits["below"]  # a leading group that is bled back sinks as well
    return (
        below
        and g.growth - limits["growth"] > limits["z"] * g.growth_se
        and g.late - limits["least"] > limits["z"] * g.late_se
    )


def _finding(g: Growth, rated: float, limits: Mapping[str, float]) -> Finding:
    to_ma = rated / 100 / MONTH_H * 1000
    spans = zip(g.starts[::-1], g.ends[::-1], strict=True)
    growth, error = to_error(g.growth * to_ma, g.growth_se * to_ma)
    return Finding(
        severity=Severity.SERVICE if g.late > limits["act"] else Severity.NOTE,
        item=f"cell {g.item}",
        measured=g.growth,
        limit=limits["growth"],
        unit=UNIT + ", each month",
        se=g.growth_se,
        statement=f"The loss of group {g.item} grew from {g.early * to_ma:.1f} to {g.late * to_ma:.1f} mA above its "
        f"siblings, by {growth} mA a month (standard error {error} mA, {g.n} "
        f"readings){_reach(g, limits['act'])}.",
        confidence=confidence(g.growth, limits["growth"], g.growth_se),
        persistence=1.0,
        count=g.n,
        duration_s=float(g.ends[-1] - g.starts[0]) / 1e6,
        windows=tuple(Window(int(a), int(b)) for a, b in spans)[:10],
        signals=("cell_voltage", "cell_bleed", "pack_current"),
    )


def _reach(g: Growth, act: float) -> str:
    """When the loss passes the limit if it grows on as it has: a range of dates, or nothing."""
    low, high = g.growth - 1.96 * g.growth_se, g.growth + 1.96 * g.growth_se
    if g.late >= act or low <= 0:
        return ""
    late_middle = datetime.fromtimestamp(
        float(g.starts[g.starts >= (g.starts[0] + g.starts[-1]) // 2].mean()) / 1e6, UTC
    )
    first, last = (late_middle + timedelta(hours=MONTH_H * (act - g.late) / rate) for rate in (high, low))
    return f"; going on like this it passes {act:.0f} % a month between {first:%Y-%m-%d} and {last:%Y-%m-%d}"


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def two_months(
        early: float, late: float, se: float = 0.1, bled: float = 0.0, days: int = 60
    ) -> list[ExampleSession]:
        """Charges every three days; group 4 loses `early` % a month at first and `late` at the end, evenly growing."""
        out, place = [], 0.0
        for k, day in enumerate(range(0, days, 3)):
            parts = [
                Metric("cell_offset_top_pct", 0.02 * ((k + g) % 3 - 1), "%", se, 500, item=str(g)) for g in range(1, 6)
            ]
            parts[3] = Metric("cell_offset_top_pct", place + 0.02 * (k % 3 - 1), "%", se, 500, item="4")
            if bled:
                parts += [
                    Metric("cell_bled_ah", 0.0 if g == 4 else bled, "Ah", None, 1, item=str(g)) for g in range(1, 6)
                ]
            out.append(one_session(float(day), "charge", *parts))
            place -= 3 / 30.44 * (early + (late - early) * day / days)
        return out

    return Cases(
        fires_on=(record(*two_months(0.5, 6.5)), record(*two_months(0.5, 14.0))),
        quiet_on=(
            record(*two_months(0.0, 0.0)),
            record(*two_months(5.0, 5.0)),  # leaks, but does not grow: another rule's
            record(*two_months(6.0, 0.5)),  # heals
            record(*two_months(0.5, 6.5, se=3.0)),  # cannot be told from noise
        ),
        unassessed_on=(record(*two_months(0.5, 6.5, days=18)), record(one_session(0, "charge"))),
    )


_UNPLUGGED = "the group's voltage, followed for a week with its sense plug off and then on,"


RULE = Rule(
    id="leak_growing",
    title="A leak that grows",
    subsystem="cells",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "it grows, and is past `act` by now"),
        (Severity.NOTE, "it grows, and is not"),
    ),
    needs=("cell_offset_top_pct",),
    roles=("cell_voltage", "pack_current"),
    limits=LIMITS,
    judge=judge,
    meaning="One group loses more charge from week to week. A leak that stays is a matter of balance; one that grows "
    "may be a short inside a cell on its way.",
    causes=(
        Cause("a soft short inside a cell that grows", only_by(_UNPLUGGED)),
        Cause("moisture or corrosion that spreads at the group's tap or sense wires", only_by(_UNPLUGGED)),
        Cause(
            "a balancing resistor whose switch leaks, more so as it ages", also_found("balancer_stuck", same_item=True)
        ),
    ),
    bench=(
        "disconnect the sense plug and follow each group's voltage for two weeks after a full charge",
        "measure the current in the group's sense wires with the electronics asleep",
        "look for warmth at the group with the pack at rest",
    ),
    cautions=(
        "A growing internal short can end in fire. Store the pack apart, outdoors or in a fire-safe place, and "
        "charge it only attended.",
        "Special transport rules hold for damaged lithium batteries. Local rules prevail.",
    ),
    source="difference of two Theil-Sen slopes (P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379); limits: see each",
    matters=False,  # the rule on leaks judges whether there is one
    version=2,
    cases=_cases,
)
