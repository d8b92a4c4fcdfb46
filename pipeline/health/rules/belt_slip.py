"""A belt slips: the motor runs ahead of its wheel, the more the harder it pulls."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import only_by
from herdbook.pipeline.health.newest_level import newest_level
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.health.reading import event_table, metric_rows, recent, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted, of_side, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.metrics.belt import HARD, USUAL_A
from herdbook.pipeline.vehicle.record import Event, Metric

SUREST = 0.99  # no finding of slip is surer (engineering choice)
BELT_OR_TYRE = (
    "Belt or tyre slipping on the road: chalk marks over belt and pulley, and over tyre and ground, separate them."
)

ALIKE = (
    "two belts that slip alike, tyres that creep and a vehicle speed told late look the same; "
    "chalk marks over belt and pulley tell"
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    every = metric_rows(record, "belt_slip_pct").filter(pl.col("se") > 0)
    hard = metric_rows(record, "belt_hard_slip_pct").filter(pl.col("se") > 0)
    found, alike, open_still = [], [], []
    sides = sorted(set(every["item"].to_list()) | set(hard["item"].to_list()))
    for side in sides:
        pulls = recent(hard.filter(pl.col("item") == side), limits["days"], 40)
        if (slips := _at_hard_pull(pulls, side, limits)) is not None:
            found.append(slips)
            continue
        rows = recent(every.filter(pl.col("item") == side), limits["days"], 40)
        line = _by_line(record, rows, pulls, side, limits) if rows.height else _known(side, pulls)
        if _holds(_beside(pulls, rows, limits), limits):
            alike += [line] if isinstance(line, Finding) else []
        elif isinstance(line, Finding):
            found.append(line)
        elif line:
            open_still.append(line)
    if not found and len(alike) == len(sides) > 1:
        both = " and ".join(f"the {of_side(f.item, 'motor')} {spell(f.measured, '%', f.se)}" for f in alike)
        return NotAssessed(f"{both} ahead of their wheels, at hard pull neither ahead of the other: {ALIKE}")
    if found or ((every.height or hard.height) and not open_still):
        return found
    known = f"; so far {', '.join(open_still)}" if open_still else ""
    return NotAssessed(f"too few rides with motor speed, current and vehicle speed to judge by{known}")


def _by_line(
    record: Record, rows: pl.DataFrame, pulls: pl.DataFrame, side: str, limits: Mapping[str, float]
) -> Finding | str:
    """By the line through all seconds of each ride; else what is known so far, "" where it surely is no slip."""
    at = "its full torque current" if record.profile.drive_figures.max_motor_a else f"{USUAL_A:g} A"
    if (beyond := _beyond_grip(rows, side, at, limits)) is not None:
        return beyond
    values, ses = rows["value"].to_numpy(), np.hypot(rows["se"].to_numpy(), 0.1)
    level = newest_level(values, ses, limits["slip"])
    if level is None or level.chance > limits["chance"] or (level.first == rows.height - 1 and rows.height > 1):
        if (newest := _newest(rows, pulls, side, at, limits)) is not None:
            return newest
        value, se = pool(values, ses) if level is None else (level.value, level.se)
        unsure = se > limits["largest_se"] or value + se > limits["slip"]
        return _so_far(side, value, se) if unsure else ""
    rows = rows.slice(level.first)
    slip, se = level.value, level.se
    hit = rows.filter(pl.col("value") > limits["slip"])
    events = recent(event_table(record, "belt_slip", ("slip_pct", "current_a")), limits["days"])
    events = events.filter(pl.col("item") == side)
    text = f"At {at} the {of_side(side, 'motor')} ran {spell(slip, '%', se)} ahead of its wheel, "
    text += f"over {counted(rows.height, 'ride')}."
    one = _finding(side, text, slip=slip, se=se, limits=limits, rows=rows, hit=hit)
    spans = windows(events, "slip_pct") or one.windows
    return replace(one, confidence=min(1.0 - level.chance, SUREST), duration_s=seconds(events), windows=spans)


def _newest(rows: pl.DataFrame, pulls: pl.DataFrame, side: str, at: str, limits: Mapping[str, float]) -> Finding | None:
    """The newest ride alone, after others that did not slip: enough where its hard seconds bear the line out."""
    last = rows.tail(1)
    hard = pulls.filter(pl.col("start_t") == last["start_t"][0])
    if not hard.height:
        return None
    (slip, se), (more, more_se) = ((float(x["value"][0]), math.hypot(float(x["se"][0]), 0.1)) for x in (last, hard))
    if slip - limits["sure"] * se < limits["slip"] or more - 2.0 * more_se < limits["creep"]:
        return None
    text = f"At {at} the {of_side(side, 'motor')} ran {spell(slip, '%', se)} ahead of its wheel in the newest ride, "
    text += (
        f"and {spell(more, '%', more_se)} in its hard seconds alone; not in {counted(rows.height - 1, 'ride')} before."
    )
    return _finding(side, text, slip=slip, se=se, limits=limits, rows=last, hit=last)


def _beside(pulls: pl.DataFrame, rows: pl.DataFrame, limits: Mapping[str, float]) -> pl.DataFrame:
    """The hard seconds of the rides that the line speaks of: those before it began to slip contradict nothing."""
    if not rows.height:
        return pulls
    level = newest_level(rows["value"].to_numpy(), np.hypot(rows["se"].to_numpy(), 0.1), limits["slip"])
    return pulls if level is None else pulls.filter(pl.col("start_t") >= rows["start_t"][level.first])


def _so_far(side: str, slip: float, se: float) -> str:
    return f"{side or 'motor'}: {spell(slip, '%', se)}"


def _known(side: str, pulls: pl.DataFrame) -> str:
    """The same of hard seconds alone, where no ride has a line."""
    return _so_far(side, *pool(pulls["value"].to_numpy(), pulls["se"].to_numpy()))


def _at_hard_pull(rows: pl.DataFrame, side: str, limits: Mapping[str, float]) -> Finding | None:
    """In the hard seconds alone: what gentle ones show is no contradiction."""
    values, ses = rows["value"].to_numpy(), rows["se"].to_numpy()
    level = newest_level(values, ses, limits["slip"])
    if level is None or level.chance > limits["chance"] or (level.first == rows.height - 1 and rows.height > 1):
        return None
    rows = rows.slice(level.first)
    text = (
        f"At hard pull the {of_side(side, 'motor')} ran {spell(level.value, '%', level.se)} further ahead of its wheel "
    )
    text += f"than at gentle pull, over {counted(rows.height, 'ride')}."
    hit = rows.filter(pl.col("value") > limits["slip"])
    one = _finding(side, text, slip=level.value, se=level.se, limits=limits, rows=rows, hit=hit)
    return replace(one, confidence=min(1.0 - level.chance, SUREST))


def _holds(rows: pl.DataFrame, limits: Mapping[str, float]) -> bool:
    """Pulled hard, and it surely does not slip, beside its twin where it has one: a slip that grows with the pull is
    past the limit at full pull only where it shows more than this share of it in hard seconds, which begin at HARD of
    the full pull."""
    if not rows.height:
        return False
    value, se = pool(rows["value"].to_numpy(), rows["se"].to_numpy())
    return se <= limits["largest_se"] and value + 2.0 * se < HARD * limits["slip"]


def _beyond_grip(rows: pl.DataFrame, side: str, at: str, limits: Mapping[str, float]) -> Finding | None:
    """A belt holds up to a torque and slips beyond it, so that gentle rides show little: they contradict nothing. What
    counts is that several rides, each by itself and nearly certain, show more than a tyre's creep, in a good part of
    the rides since the first, and the clearest more than the limit."""
    sure = limits["sure"] * np.hypot(rows["se"].to_numpy(), 0.1)
    values = rows["value"].to_numpy()
    slips = values - sure > limits["creep"]
    far = values - sure > limits["slip"]
    if slips.sum() < limits["rides"] or not far.any():
        return None
    first = int(np.flatnonzero(slips)[0])
    since, hit = rows.slice(first), rows.filter(pl.Series(slips))
    if slips[first:].mean() < limits["often"]:
        return None
    top = int(np.argmax(values - sure))
    value, se = float(values[top]), float(sure[top] / limits["sure"])
    text = f"In {hit.height} of {counted(since.height, 'ride')} the {of_side(side, 'motor')} surely ran ahead of its "
    text += f"wheel, at {at} by {spell(value, '%', se)} in the clearest"
    text += "; the others do not show it surely." if hit.height < since.height else "."
    return _finding(side, text, slip=value, se=se, limits=limits, rows=since, hit=hit)


def _finding(
    side: str,
    text: str,
    *,
    slip: float,
    se: float,
    limits: Mapping[str, float],
    rows: pl.DataFrame,
    hit: pl.DataFrame,
) -> Finding:
    """rows: the rides judged; hit: those that slip."""
    return Finding(
        severity=Severity.SERVICE,
        item=side,
        measured=slip,
        limit=limits["slip"],
        unit="%",
        statement=text,
        se=se,
        confidence=SUREST,
        persistence=hit.height / rows.height,
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit, "value"),
        signals=("motor_speed", "vehicle_speed", "motor_current"),
        not_separable=BELT_OR_TYRE,
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    def case(slip: float, rides: int = 5, se: float = 0.2) -> Record:
        event = Event("belt_slip", 60_000_000, 63_000_000, "left", {"slip_pct": slip, "current_a": 40.0})
        parts = (
            Metric("belt_slip_pct", slip, "%", se, 300, item="left"),
            Metric("belt_slip_pct", 0.1, "%", 0.2, 300, item="right"),
        )
        return record(*days(rides, "ride", *parts, *([event] if slip > 1.5 else [])))

    def hard(*slips: float, se: float = 0.6, line: float = 0.1) -> Record:
        """Rides whose gentle seconds show nothing and drown the hard ones."""
        return record(
            *(
                s
                for k, slip in enumerate(slips)
                for s in days(
                    1,
                    "ride",
                    Metric("belt_slip_pct", line, "%", 0.2, 600, item="left"),
                    Metric("belt_hard_slip_pct", slip, "%", se, 20, item="left"),
                    first=2 * k,
                )
            )
        )

    def rides(*figures: tuple[float, float]) -> Record:
        """Ride by ride what the line says and what its hard seconds do."""
        return record(
            *(
                s
                for k, (line, pull) in enumerate(figures)
                for s in days(
                    1,
                    "ride",
                    Metric("belt_slip_pct", line, "%", 0.3, 600, item="left"),
                    Metric("belt_hard_slip_pct", pull, "%", 0.5, 20, item="left"),
                    first=2 * k,
                )
            )
        )

    def newly(line: float, pull: float) -> Record:
        return rides(*[(0.1, 0.1)] * 4, (line, pull))

    def began(before: int, since: int) -> Record:
        return rides(*[(0.1, -0.5)] * before, *[(7.0, 3.0)] * since)

    def both(left: float, right: float) -> Record:
        """What lines through all seconds say of either, while neither is ahead of the other at hard pull."""
        lines = [Metric("belt_slip_pct", x, "%", 0.2, 300, item=k) for k, x in (("left", left), ("right", right))]
        pulls = [Metric("belt_hard_slip_pct", 0.1, "%", 0.2, 60, item=side) for side in ("left", "right")]
        return record(*days(5, "ride", *lines, *pulls))

    def by_torque(*slips: float) -> Record:
        """Rides that asked for more or less torque."""
        return record(
            *(
                s
                for k, slip in enumerate(slips)
                for s in days(1, "ride", Metric("belt_slip_pct", slip, "%", 0.4, 300, item="left"), first=2 * k)
            )
        )

    return Cases(
        fires_on=(
            by_torque(0.0, -0.1, 0.1, 0.0, 7.7, 4.4),
            hard(7.1, 6.8, 6.9),
            hard(8.2),
            hard(3.0, 3.1, 3.0, se=0.3, line=6.6),  # grows with the pull: hard is half of full here
            hard(0.2, 0.1, 7.0, 7.2),
            newly(line=9.0, pull=4.0),
            began(4, 4),
            by_torque(0.2, 4.4, 7.8, 4.5, 1.0, 0.5, 9.4, 9.2, 1.9, 7.8),
            case(7.0),
            case(5.2),
            case(7.0, rides=1),
            case(7.0, rides=6, se=1.4),
        ),
        quiet_on=(
            hard(1.7, 1.4),
            hard(0.1, 0.3, -0.2),
            both(0.3, 0.2),
            both(7.0, 0.2),
            newly(line=9.0, pull=0.5),  # its own hard seconds bear nothing out
            by_torque(3.4, 3.2, 3.6, 3.1),
            case(0.3),
            case(3.4),
            case(2.0, rides=1),
        ),
        unassessed_on=(
            by_torque(0.0, 0.1, -0.1, 0.0, 8.0),
            case(2.0, rides=1, se=1.5),
            case(5.0, rides=2, se=1.2),
            both(7.0, 6.8),
        ),
    )


RULE = Rule(
    id="belt_slip",
    title="Drive belt slips",
    subsystem="drive",
    severity=Severity.SERVICE,
    needs=("belt_slip_pct",),
    roles=("motor_speed", "motor_current", "vehicle_speed"),
    limits=(
        Limit("slip", 4.0, "%", "at full pull; tyres creep by 1 to 2 % then, 3 to 5 % marks a fault: from memory"),
        Limit(
            "chance",
            0.02,
            "1",
            "of no more than that, over all starts tried: engineering choice, made larger while simulated makers were "
            "judged",
        ),
        Limit("creep", 2.0, "%", "of a tyre at full pull, at most: from memory"),
        Limit(
            "sure",
            3.0,
            "1",
            "standard errors of one ride, for creep and for slip: engineering choice; this, `rides` and `often` were "
            "made after belts of an outside simulation that slip in hard rides alone had been missed",
        ),
        Limit("rides", 2, "rides", "that surely slip, each by itself: engineering choice"),
        Limit("often", 0.3, "share", "of the rides since the first: engineering choice"),
        Limit("largest_se", 1.0, "%", "over all rides, to say that none slips: engineering choice"),
        Limit("days", 21.0, "days", "the newest rides only: engineering choice"),
    ),
    judge=judge,
    meaning="Power and braking of that side are partly lost, and a slipping belt may jump or tear.",
    causes=(
        Cause("Belt tension too low", only_by("the belt's tension against the maker's figure")),
        Cause("Belt teeth or pulley worn", only_by("a look at teeth and pulley")),
        Cause("Pulley loose on its shaft", only_by("a paint mark over pulley and shaft, looked at after a ride")),
        Cause("Oil or water on the belt", only_by("a look at the belt, and a ride with it clean and dry")),
    ),
    bench=(
        "Check tension and teeth with the power off",
        "Mark belt and pulley with chalk, pull under load, compare the marks",
        "Check the pulley's screws",
    ),
    cautions=(
        "A belt that jumps or tears takes that side's brake with it.",
        "Power off before fingers go near a belt.",
    ),
    source="slip by a line of relative speed over current, and in hard seconds over gentle ones; limit: from memory",
    version=8,  # held against the hard seconds since it began; the newest ride alone where they bear it out
    cases=_cases,
)
