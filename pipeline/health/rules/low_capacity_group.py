"""A group with less capacity than its siblings: level with them when full, empty before them.

Physics: from the knee near full to the knee near empty every group passes the same charge. The shift at the bottom less
the shift at the top is the difference in capacity over that window; a mere difference in charge cancels. Between the
knees a group that holds less passes the steps of the curve in less charge: one charge to four fifths shows it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, only_by
from herdbook.pipeline.health.pack.curve_capacity import curve_capacities, is_of_late, surely_within
from herdbook.pipeline.health.pack.offsets import offsets
from herdbook.pipeline.health.pack.string import string_fit, too_loose
from herdbook.pipeline.health.pooled import Pooled
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._sense_wire import unread
from herdbook.pipeline.health.rules._string_words import DEPTH, Spoken, from_fit, refuted
from herdbook.pipeline.health.sentences import counted, to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, surely_passed, worth_acting
from herdbook.pipeline.science.meta_analysis import Z95
from herdbook.pipeline.science.string_fit import SOUND_CAPACITY, Weighed, Why
from herdbook.pipeline.vehicle.record import Metric

UNIT = "% of rated charge"
LIMITS = (
    Limit("look", 5.0, UNIT, "engineering choice: cells of one batch lie within 2 to 3 % of each other"),
    Limit("act", 7.5, UNIT, "engineering choice: the group costs more than a fourteenth of the range"),
    Limit("now_days", 21.0, "days", "engineering choice: what has come since must have had a chance to show"),
    Limit("plain", 8.0, UNIT, "engineering choice: just past `act`; who could not see that has not looked"),
    Limit("z", 4.0, "standard errors", "engineering choice: under 1 in 30,000 by chance for one group"),
    Limit("days", 30.0, "days", "engineering choice: both ends must be read close to each other in time"),
    Limit("least_sessions", 2.0, "sessions", "engineering choice: readings wanted at each end"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    top = {k: o.pooled() for k, o in offsets(record, "top", limits["days"]).items()}
    bottom = {k: o.pooled() for k, o in offsets(record, "bottom", limits["days"]).items()}
    both = [
        item for item in top if item in bottom and min(top[item].count, bottom[item].count) >= limits["least_sessions"]
    ]
    fit, wrong = string_fit(record), unread(record)
    by_curve = {item: p for item, p in curve_capacities(record).items() if item not in wrong}
    if len(both) < 3 and not fit.looked and not by_curve:
        return NotAssessed(
            f"offset and capacity need both ends of the curve: {limits['least_sessions']:.0f} charges to full and as "
            f"many rides to low within {limits['days']:.0f} days; or charges over a bend of the curve, with groups "
            "read in fine steps" + too_loose(record)
        )
    judged = [_judge_group(top[item], bottom[item], limits) for item in both] if len(both) >= 3 else []
    found = [
        f
        for f in judged
        if f is not None and not refuted(record, f.item.removeprefix("cell "), Why.CAPACITY, f.measured / 100.0)
    ]
    said = {f.item.removeprefix("cell ") for f in found}
    within = surely_within(by_curve, limits["look"] / 100.0)
    short = {item for item, p in by_curve.items() if _is_short(p, limits)}
    by_record = from_fit(record, _WHOLE, said | wrong | within, limits, borne_out=short)
    curves = [
        f
        for item, p in by_curve.items()
        if item not in said
        and (f := _judge_curve(p, limits)) is not None
        and not refuted(record, item, Why.CAPACITY, f.measured / 100.0)
    ]
    found += curves
    told = {f.item for f in curves}
    found += [f for f in by_record if f.item not in told]
    now = fit.newest(limits["now_days"])
    seen = now.depth >= DEPTH and now.could_show(Why.CAPACITY, limits["plain"] / 100.0)
    within = surely_within(by_curve, limits["plain"] / 100.0)
    seen |= bool(by_curve) and within >= fit.looked | set(by_curve) and is_of_late(record, by_curve, limits["now_days"])
    if not found and len(both) < 3 and not seen:
        return NotAssessed(
            f"what was logged of the last {limits['now_days']:.0f} days would not show a group with "
            f"{limits['plain']:.0f} % less capacity: the voltage moved too little, over {100 * now.depth:.0f} % of the "
            "charge; rides to low are needed, or charges over a bend of the curve with groups read in fine steps"
        )
    apart = [k for k, w in fit.groups.items() if w.cause is Why.CAPACITY and k not in wrong | within]
    if apart and not found:
        who = f"group {apart[0]} stands apart" if len(apart) == 1 else f"groups {', '.join(apart)} stand apart, each"
        return NotAssessed(
            f"{who}, most like one of little capacity, but what was logged does not tell surely enough whether and by "
            "how much"
        )
    return found


def _sentence(item: str, w: Weighed) -> str:
    short, error = to_error(100 * w.size, 100 * w.se)
    return (
        f"Group {item} holds {short} % less than its siblings (standard error {error} %): the more "
        "charge is used, the further it falls behind."
    )


_WHOLE = Spoken(Why.CAPACITY, 100.0, UNIT, _sentence)


def _is_short(p: Pooled, limits: Mapping[str, float]) -> bool:
    """Surely shorter than sound groups differ, by the length of the curve's steps."""
    return 1.0 - p.value > limits["z"] * float(np.hypot(p.se, SOUND_CAPACITY))


def _judge_curve(p: Pooled, limits: Mapping[str, float]) -> Finding | None:
    """By the length of the curve's steps. One charge is enough where it is sure: its error comes from its own parts,
    left out in turn, and from how far its siblings lie apart."""
    short, se = 100.0 * (1.0 - p.value), 100.0 * p.se
    if not short - limits["look"] > limits["z"] * se:
        return None
    act = worth_acting(short, se, look=limits["look"], act=limits["act"], z=limits["z"])
    said, error = to_error(short, se)
    text = f"Group {p.item} holds {said} % less than its siblings (standard error {error} %, "
    text += f"{counted(p.count, 'charge')}): its voltage passes the bends of the curve in less charge than theirs."
    shown = float(np.mean(1.0 - p.values > limits["look"] / 100.0))
    found = _finding(text, p, short=short, se=se, act=act, shown=shown, limits=limits)
    return replace(found, unsettled=not act and short + Z95 * se > limits["act"])


def _judge_group(top: Pooled, bottom: Pooled, limits: Mapping[str, float]) -> Finding | None:
    short, se = top.value - bottom.value, float(np.hypot(top.se, bottom.se))
    if not short - limits["look"] > limits["z"] * se:
        return None
    act = worth_acting(short, se, look=limits["look"], act=limits["act"], z=limits["z"])
    said, error = to_error(short, se)
    text = f"Group {top.item} holds {said} % of rated charge less than its siblings between full and empty "
    text += f"(standard error {error} %): {top.value:+.1f} % at the top, {bottom.value:+.1f} % at the bottom."
    shown = float(np.mean(top.value - bottom.values > limits["look"]))
    return _finding(text, bottom, short=short, se=se, act=act, shown=shown, limits=limits)


def _finding(
    text: str, p: Pooled, *, short: float, se: float, act: bool, shown: float, limits: Mapping[str, float]
) -> Finding:
    """p: the sessions that tell it; shown: in what share of them."""
    limit = surely_passed(short, se, look=limits["look"], act=limits["act"], z=limits["z"])
    return Finding(
        severity=Severity.SERVICE if act else Severity.NOTE,
        item=f"cell {p.item}",
        measured=short,
        limit=limit,
        unit=UNIT,
        se=se,
        statement=text,
        confidence=confidence(short, limit, se),
        persistence=shown,
        count=p.count,
        duration_s=p.duration_s,
        windows=p.windows(largest=False),
        signals=("cell_voltage", "pack_current"),
        not_separable="Lost capacity and a cell of a parallel group that has dropped out look alike: with the latter "
        "the resistance of the group rises in the same proportion.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def read(day: float, kind: str, pct: float, se: float = 0.3) -> ExampleSession:
        name = "cell_offset_top_pct" if kind == "charge" else "cell_offset_bottom_pct"
        others = [Metric(name, 0.0, "%", se, 500, item=str(k)) for k in range(1, 4)]
        others.append(Metric("cell_offset_rows", 500.0, "1", None, 500))
        return one_session(day, kind, *others, Metric(name, pct, "%", se, 500, item="4"))

    def weeks(top: float, bottom: float, se: float = 0.3, rides: int = 3) -> tuple[ExampleSession, ...]:
        return (
            *(read(d, "charge", top, se) for d in range(3)),
            *(read(3 + d, "ride", bottom, se) for d in range(rides)),
        )

    def stepped(day: float, share: float, se: float = 0.02) -> ExampleSession:
        """A charge over a bend of the curve: groups 1 to 3 are alike, group 4 holds that share of what they do."""
        metrics = [Metric("cell_offset_rows", 500.0, "1", None, 500)]
        metrics += [
            Metric("cell_capacity_share", v, "1", se, 500, item=k)
            for k, v in (("1", 1.0), ("2", 1.01), ("3", 0.99), ("4", share))
        ]
        return one_session(day, "charge", *metrics)

    return Cases(
        fires_on=(
            record(*weeks(0.0, -12.0)),
            record(*weeks(0.2, -7.0)),
            record(*(stepped(d, 0.82) for d in range(3))),
            record(stepped(0, 0.82)),  # one charge that is sure
            record(*(stepped(d, 1.0) for d in range(3)), *(stepped(d, 0.8) for d in range(3, 5))),  # lately
        ),
        quiet_on=(
            record(*(stepped(d, 0.98) for d in range(3))),
            record(*weeks(0.0, -1.5)),
            record(*weeks(-7.0, -7.2)),  # charge, not capacity
            record(*weeks(0.0, -9.0, se=5.0)),  # cannot be told from noise
        ),
        unassessed_on=(
            record(*weeks(0.0, -12.0, rides=0)),
            record(*weeks(0.0, -12.0, rides=1)),
            record(stepped(0, 0.85, se=0.06)),
        ),
    )


RULE = Rule(
    id="low_capacity_group",
    title="A group with little capacity",
    subsystem="cells",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "the shortage is surely past `look`, and past `act` within its error"),
        (Severity.NOTE, "past `look`"),
    ),
    needs=("cell_offset_rows",),
    roles=("cell_voltage", "pack_current"),
    limits=LIMITS,
    judge=judge,
    meaning="One group is empty before its siblings although all were full together. It ends every ride early and is "
    "driven deepest, so that it ages faster still.",
    causes=(
        Cause("an aged group", only_by("a charge and discharge of this group and of a sibling, counted")),
        Cause("a parallel cell that has dropped out", also_found("weak_group", same_item=True, tells=False)),
        Cause("cells of another batch put in by a repair", only_by("the service book, and the marks on the cells")),
    ),
    bench=(
        "charge to full with balancing, then discharge at C/5 while logging every group",
        "compare the group's resistance with its siblings' (a lost parallel cell raises it in proportion)",
    ),
    cautions=(
        "Emptying the pack below its limit to find the weak group is dangerous: a reversed cell can short and burn.",
        "Only a qualified person opens a pack.",
    ),
    source="method: shift between the two knees, or scale of the curve (physics of a series string); limits: see each",
    cases=_cases,
    version=12,  # what one charge tells has to stand beside the whole record
    habit="rides from full to low, or charges from half on, with the groups in steps of a few millivolts",
)
