"""A group whose charge has drifted away from its siblings: high or low at both knees by the same Ah.

Physics: the same Ah pass through every group, so a difference in charge shows as the same shift at the knee
near full and at the knee near empty. A group with little capacity agrees at one end and not at the other; a
group with high resistance moves its voltage, not its charge; a leak makes the shift grow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, any_of, charged_full, moves, unless
from herdbook.pipeline.health.newest_level import since_step
from herdbook.pipeline.health.pack.offsets import offsets, uneven
from herdbook.pipeline.health.pack.string import StringFit, string_fit, too_loose
from herdbook.pipeline.health.pooled import Pooled, surely_over
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._sense_wire import unread
from herdbook.pipeline.health.rules._string_words import Spoken, course_of, from_fit, refuted
from herdbook.pipeline.health.sentences import counted, to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, worth_acting
from herdbook.pipeline.science.string_fit import Weighed, Why
from herdbook.pipeline.vehicle.record import Metric

UNIT = "% of rated charge"
OWN_PCT = 0.5  # a group walks by so much from charge to charge, warm or cold (engineering choice)
LIMITS = (
    Limit("look", 1.2, UNIT, "engineering choice: about 50 mV at the end of charge, past the usual 30 mV"),
    Limit("act", 3.0, UNIT, "engineering choice: about 100 mV at full; 12 h of bleeding at 70 mA and 30 Ah"),
    Limit("plain", 5.0, UNIT, "engineering choice: a twentieth of the range; who could not see that has not looked"),
    Limit("bottom", 5.0, UNIT, "engineering choice: near empty alone, the usual spread of capacity comes in"),
    Limit("z", 4.0, "standard errors", "engineering choice: under 1 in 30,000 by chance for one group"),
    Limit("z_both", 2.0, "standard errors", "engineering choice: at full, when empty shows the same by z from nought"),
    Limit("days", 28.0, "days", "engineering choice: balance moves within weeks"),
    Limit(
        "least_sessions",
        2.0,
        "sessions",
        "engineering choice: one reading alone is no finding, or a note where the whole record leans to the same side",
    ),
    Limit("agreement", 0.6, "share", "engineering choice: share of readings that must show it"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    read_at = {end: offsets(record, end, limits["days"]) for end in ("top", "bottom")}
    most = max((o.values.size for some in read_at.values() for o in some.values()), default=0)
    # What a group stood at before a certain step says nothing of where it stands now
    top, bottom = ({k: since_step(o.pooled(), OWN_PCT) for k, o in some.items()} for some in read_at.values())
    fit = string_fit(record)
    if most < limits["least_sessions"] and not fit.looked:
        return NotAssessed(
            f"the steep ends of the curve were reached in {counted(most, 'session')} of the last "
            f"{limits['days']:.0f} days; charges to full or rides to low are needed, since the curve's middle says too "
            "little" + uneven(record) + too_loose(record)
        )
    findings = []
    for item in sorted((set(top) | set(bottom)) - unread(record), key=int):
        found = _judge_group(top.get(item), bottom.get(item), limits, _leans(fit, item))
        if found and not refuted(record, item, Why.CHARGE, found.measured / 100.0):
            findings.append(found)
    said = {f.item.removeprefix("cell ") for f in findings}
    # A group that is level at full is in balance: what it lacks further down is capacity.
    level = {item for item, p in top.items() if _is_level(p, limits)}
    by_record = from_fit(record, _WHOLE, level | unread(record), limits)
    # Few readings at the ends leave a note; where the whole record is sure by itself that it is charge, it speaks
    drifted = {f"cell {item}" for item, w in fit.groups.items() if w.cause is Why.CHARGE}
    acted_on = {f.item: f for f in by_record if f.severity is Severity.SERVICE and f.item in drifted}
    findings = [acted_on.get(f.item, f) if f.severity is Severity.NOTE else f for f in findings]
    findings += [f for f in by_record if f.item.removeprefix("cell ") not in said]
    if not findings and most < limits["least_sessions"] and not fit.could_show(Why.CHARGE, limits["plain"] / 100.0):
        return NotAssessed(
            f"what was logged would not show a group that holds {limits['plain']:.0f} % less: the voltage moved "
            "too little; charges to full or rides to low are needed" + uneven(record)
        )
    return findings


def _sentence(item: str, w: Weighed) -> str:
    word = "more" if w.stands > 0 else "less"
    value, error = to_error(100.0 * abs(w.stands), 100.0 * w.stands_se)
    return (
        f"Group {item} held up to {value} % of rated charge {word} than the median group (standard error {error} %), "
        f"by its voltage beside the others' at every charge; {course_of(w)}."
    )


def _leans(fit: StringFit, item: str) -> float:
    """To which side the whole record has a group, surely or not; 0: it stands level, or was not looked at."""
    return fit.groups[item].stands if item in fit.groups else fit.open.get(item, 0.0)


_WHOLE = Spoken(Why.CHARGE, 100.0, UNIT, _sentence)


def _is_level(p: Pooled, limits: Mapping[str, float]) -> bool:
    return p.count >= limits["least_sessions"] and abs(p.value) + limits["z_both"] * p.se < limits["look"]


def _stands_out(p: Pooled | None, limit: float, limits: Mapping[str, float], z: str = "z") -> bool:
    if p is None:
        return False
    signed = limit if p.value >= 0 else -limit
    return surely_over(p, signed, limits[z]) and _shows(p, limit, limits)


def _shows(p: Pooled, limit: float, limits: Mapping[str, float]) -> bool:
    """Enough of its readings lie beyond the limit, on the side where it stands."""
    return p.share_over(limit if p.value >= 0 else -limit) >= limits["agreement"]


def _with_bottom(top: Pooled, bottom: Pooled | None, limits: Mapping[str, float]) -> Pooled:
    """Both ends weighed by their errors, when they agree that the group is off; else the top as it is."""
    if bottom is None:
        return top
    apart = abs(top.value - bottom.value) < 3.0 * float(np.hypot(top.se, bottom.se))
    off = top.value * bottom.value > 0 and abs(top.value) - limits["look"] > top.se
    if not (apart and off):
        return top
    weight = np.array([top.se, bottom.se]) ** -2.0
    value = float(weight @ [top.value, bottom.value] / weight.sum())
    return replace(top, value=value, se=float(weight.sum() ** -0.5))


def _shows_it_too(top: Pooled, bottom: Pooled | None, limits: Mapping[str, float]) -> bool:
    """The other end, read apart from this one, is off to the same side beyond doubt, and by no more."""
    if bottom is None or top.value * bottom.value <= 0:
        return False
    within = abs(bottom.value) - abs(top.value) < 3.0 * float(np.hypot(top.se, bottom.se))
    return within and abs(bottom.value) > max(0.5 * limits["look"], limits["z"] * bottom.se)


def _judge_group(
    top: Pooled | None, bottom: Pooled | None, limits: Mapping[str, float], leans: float = 0.0
) -> Finding | None:
    """Top decides, as packs are balanced there, with the bottom's help where both agree; the bottom alone
    speaks only when no top is known. leans: to which side the whole record has the group, unsurely: a witness as well.
    """
    enough = limits["least_sessions"]
    bottom = bottom if bottom is not None and bottom.count >= enough else None
    if top is not None and top.count < enough and not leans * top.value > 0:
        top = None
    seen = bottom if top is None else _with_bottom(top, bottom, limits)
    look = limits["look"] if top is not None else limits["bottom"]
    witness = top is not None and (_shows_it_too(top, bottom, limits) or leans * top.value > 0)
    if top is not None and witness and _stands_out(top, look, limits, "z_both"):
        # Read in a charge the lower end shows up to a third less than there is: a witness, no measure
        seen = top
    elif seen is None or not _stands_out(seen, look, limits):
        return None
    both = top is not None and bottom is not None
    unclear = (
        ""
        if both
        else (
            "Offset or capacity: only one end of the curve was seen. "
            + ("A ride to low" if top is not None else "A charge to full")
            + " tells them apart."
        )
    )
    wanted = max(look, limits["act"])
    surely = worth_acting(abs(seen.value), seen.se, look=look, act=wanted, z=limits["z"])
    act = seen.count >= enough and surely and _shows(seen, wanted, limits)
    limit = wanted if act and _stands_out(seen, wanted, limits) else look
    end = "empty" if top is None else "full" if seen is top else "full and empty alike"
    word = "more" if seen.value > 0 else "less"
    value, error = to_error(abs(seen.value), seen.se)
    return Finding(
        severity=Severity.SERVICE if act else Severity.NOTE,
        item=f"cell {seen.item}",
        measured=abs(seen.value),
        limit=limit,
        unit=UNIT,
        se=seen.se,
        statement=f"Group {seen.item} holds {value} % of rated charge {word} than the median group, "
        f"read at {end} (standard error {error} %, {counted(seen.count, 'session')}).",
        confidence=confidence(abs(seen.value), limit, seen.se),
        persistence=seen.share_over(look if seen.value > 0 else -look),
        count=seen.count,
        duration_s=seen.duration_s,
        windows=seen.windows(largest=seen.value > 0),
        signals=("cell_voltage", "pack_current", "cell_bleed"),
        not_separable=unclear,
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def read(day: float, kind: str, pct: float, se: float = 0.3) -> ExampleSession:
        name = "cell_offset_top_pct" if kind == "charge" else "cell_offset_bottom_pct"
        others = [Metric("cell_offset_rows", 500.0, "1", None, 500)]
        others += [Metric(name, 0.0, "%", se, 500, item=str(k)) for k in range(1, 4)]
        return one_session(day, kind, *others, Metric(name, pct, "%", se, 500, item="4"))

    return Cases(
        fires_on=(
            record(*(read(d, "charge", -7.5) for d in range(4)), read(4, "ride", -7.3), read(5, "ride", -7.6)),
            record(*(read(d, "charge", 2.6) for d in range(4))),
            # level until the fourth day
            record(*(read(d, "charge", 0.1) for d in range(4)), *(read(d, "charge", -7.4) for d in range(4, 6))),
            record(*(read(d, "charge", -2.4, 0.9) for d in range(4)), *(read(d, "ride", -1.3, 0.2) for d in (4, 5, 6))),
        ),
        quiet_on=(
            record(*(read(d, "charge", 0.6) for d in range(4))),
            record(*(read(d, "ride", -3.0) for d in range(4))),  # near empty, within the usual spread of capacity
            record(read(0, "charge", 0.0), read(1, "charge", 9.0), read(2, "charge", 0.1), read(3, "charge", 0.0)),
            record(*(read(d, "charge", -4.0, 2.0) for d in range(4))),  # cannot be told from noise
            record(*(read(d, "charge", -2.4, 0.9) for d in range(4)), *(read(d, "ride", 1.3, 0.2) for d in (4, 5, 6))),
            record(*(read(d, "charge", 0.1) for d in range(3)), *(read(d, "ride", -8.0) for d in (4, 5))),  # capacity
        ),
        unassessed_on=(record(read(0, "charge", -8.0)), record(one_session(0, "ride"), one_session(1, "charge"))),
    )


RULE = Rule(
    id="out_of_balance",
    title="A group out of balance",
    subsystem="cells",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "the difference is surely past `look`, and past `act` within its error"),
        (Severity.NOTE, "past `look`"),
    ),
    needs=("cell_offset_rows",),
    roles=("cell_voltage", "pack_current"),
    limits=LIMITS,
    judge=judge,
    meaning="One group carries more or less charge than the others. The pack is full as soon as its fullest group is, "
    "and empty as soon as its emptiest group is, so range shrinks by the difference.",
    causes=(
        Cause(
            "the pack is seldom charged to full, so that its balancer has no time to work",
            unless(charged_full(few=True), charged_full(few=False)),
        ),
        Cause("a balancer channel that does not work", also_found("balancer_stuck")),
        Cause(
            "a group was replaced or charged apart from the others",
            any_of(
                moves("cell_offset_top_pct", "this group's offset", "cell_voltage", steady=True, per_day=0.03),
                moves("cell_offset_bottom_pct", "this group's offset", "cell_voltage", steady=True, per_day=0.03),
            ),
        ),
        Cause("a group that leaks", also_found("leaking_group", same_item=True)),
    ),
    bench=(
        "leave the pack on its charger for a night after full and read the spread again",
        "compare each group's rest voltage after full charge and an hour of rest",
        "check that every bleed resistor gets warm when the service tool switches it on",
    ),
    cautions=("Do not charge or discharge single groups by hand: only a qualified person opens a pack.",),
    source=("method: shift of the curve along the Ah axis at its knees (physics of a series string); limits: see each"),
    cases=_cases,
    version=10,
)
