"""The pack holds less than it should: charge counted between anchors whose state of charge is known.

Only chains from a low rest to full, or back, count; a plateau anchor would be worth plus or minus ten per cent and is
never used. What all chains share, the gain of the current sensor, does not shrink with their number. Where no chain was
recorded whole, the report that counted from full stands in for it, at moments whose voltage has left the plateau;
or one charge to full, by the part of its curve that it drew; or a step in the middle of the curve, from which to full a
pack takes what others of its type take, or less.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, only_by
from herdbook.pipeline.health.change import upward_step
from herdbook.pipeline.health.pack.capacity import GAIN, Measured, capacities
from herdbook.pipeline.health.pack.charge_count import moved
from herdbook.pipeline.health.pack.curve_place import held_of_fleet, report_at_step
from herdbook.pipeline.health.pack.knee_capacity import knee_capacity
from herdbook.pipeline.health.pack.span_capacity import span_capacity
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.health.reading import event_table, metric_rows, recent, reference
from herdbook.pipeline.health.reference import FEW, LEAST_VEHICLES
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, Window
from herdbook.pipeline.health.rules._part_capacity import (
    UNIT,
    acts_on,
    alike,
    by_knee,
    by_span,
    holds_of,
    passed,
    too_vague,
)
from herdbook.pipeline.health.sentences import counted, to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence
from herdbook.pipeline.health.trend import reaches
from herdbook.pipeline.science.half_cells import CHARGE, possible_curves
from herdbook.pipeline.vehicle.record import Event, Metric

TABLE_SE_PCT = 1.5  # of the low anchor's table, shared by all chains (engineering choice)
LIMITS = (
    Limit("look", 85.0, UNIT, "engineering choice: on the way to the usual end of life"),
    Limit("act", 80.0, UNIT, "common practice: end of life at 80 % of rated capacity"),
    Limit("z", 2.0, "standard errors", "engineering choice: one figure a pack, so 1 in 40 at the very limit"),
    Limit("step_z", 5.0, "standard errors", "engineering choice: of a sudden loss, the best of many places to cut"),
    Limit("least_chains", 2.0, "measurements", "engineering choice: one chain alone is no finding"),
    Limit("days", 90.0, "days", "engineering choice: capacity moves within months"),
    Limit("knee_days", 45.0, "days", "engineering choice: readings near empty that are judged together"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    rated = record.profile.pack_figures.rated_ah
    chains = capacities(record)
    if chains:
        chains = [c for c in chains if c.end >= chains[-1].end - limits["days"] * 86_400e6]
    if len(chains) < limits["least_chains"]:
        knee = knee_capacity(record, limits["knee_days"])
        if knee is not None and (said := by_knee(knee, rated, limits)) is not None:
            return said
        span = span_capacity(record, limits["days"])
        if span is not None and (said := by_span(span, rated, limits)) is not None:
            return said
        reckoned = _reckoned(record, limits)
        by_fleet = _by_fleet(record, limits)
        if by_fleet is not None:
            return [by_fleet]
        if reckoned is not None:
            return [reckoned]
        return NotAssessed(
            f"{counted(len(chains), 'usable measurement') if chains else 'no usable measurement'} of capacity; each "
            "needs a rest near empty, a charge to full, and everything in between recorded; or a charge from a fifth "
            "or less to full; or rides near empty in the warm whose reported charge counts from full"
            + too_vague(knee, span)
            + _never_full(record, limits)
        )
    chains = _since_step(chains, limits)
    value, own = pool(np.array([c.ah for c in chains]), np.array([c.random_se for c in chains]))
    pct = 100 * value / rated
    se = float(np.hypot(100 * own / rated, pct * np.hypot(GAIN, TABLE_SE_PCT / 95)))
    if not limits["look"] - pct > limits["z"] * se:
        return []
    act = acts_on(pct, se, limits)
    return [_finding(pct=pct, se=se, chains=chains, rated=rated, act=act, limits=limits)]


def _never_full(record: Record, limits: Mapping[str, float]) -> str:
    """Where charges were recorded and none of them reached full, that is what keeps the capacity unknown."""
    charges = recent(metric_rows(record, "charge_end"), limits["days"])
    full = event_table(record, "charge_anchor", ()).filter(pl.col("item") == "full")
    if not charges.height or full.height:
        return ""
    which = (
        "the recorded charge did not reach"
        if charges.height == 1
        else f"none of {charges.height} recorded charges reached"
    )
    return f"; {which} full: where a limit of charge is set, lift it for one charge"


def _by_fleet(record: Record, limits: Mapping[str, float]) -> Finding | None:
    """By what it takes from the step of its curve to full beside the fleet's packs. That those hold what they are rated
    for is taken for granted: where they do not, this one holds less still. So is that the loss shortens the whole curve
    alike. Lost lithium takes from this part alone, since full comes sooner and the step stays where graphite has it
    (M. Dubarry, C. Truchot, B. Y. Liaw, J. Power Sources 219 (2012) 204): the share is then too low."""
    held = held_of_fleet(record, limits["days"])
    if held is None or not limits["look"] - held.pct > limits["z"] * held.se:
        return None
    pct, se = held.pct, held.se
    few = held.packs < LEAST_VEHICLES  # nobody knows which of them is usual: a note, which a measured charge settles
    act, limit = not few and acts_on(pct, se, limits), passed(pct, se, limits)
    said, error = to_error(pct, se)
    one = "better" if held.packs == FEW else "second best"  # as the reference has it
    whose = f"the {one} of the fleet's {held.packs} known packs holds" if few else "the fleet's packs hold"
    take = "that one takes" if few else "they take"
    return Finding(
        severity=Severity.SERVICE if act else Severity.NOTE,
        item="",
        measured=pct,
        limit=limit,
        unit=UNIT,
        se=se,
        statement=f"The pack holds {said} % of what {whose} (standard error {error} %, "
        f"{counted(held.charges, 'charge')}): from the step of its curve to full it takes so much of what {take}.",
        confidence=confidence(pct, limit, se),
        persistence=1.0,
        count=held.charges,
        duration_s=held.seconds,
        windows=held.windows,
        signals=("cell_voltage", "pack_current", "pack_soc"),
        not_separable="Low capacity and a current sensor that reads low look alike here: compare the sensor with a "
        "reference meter at 20 A. And a pack that has lost lithium, as most do with age, loses more of this part of "
        "its charge than of the whole: how much the whole has lost a full charge and a measured discharge tell.",
        unsettled=not act,
    )


def _reckoned(record: Record, limits: Mapping[str, float]) -> Finding | None:
    """What the battery monitor itself reckons with: its report moves by more than the counted charge over the rated
    capacity. It has learned that somewhere: a note, unless its report is right where the curve has its step. A report
    that counts from full with too small a capacity would be far too low there."""
    count, rated = moved(record, limits["days"]), record.profile.pack_figures.rated_ah
    if count is None or not count.value > 0:
        return None
    pct = 100.0 / count.value
    se = pct * count.se / count.value
    if not limits["look"] - pct > limits["z"] * se:
        return None
    borne_out = _borne_out(record, pct, limits) and acts_on(pct, se, limits)
    limit = passed(pct, se, limits)
    said, error = to_error(pct, se)
    text = (
        f"The battery monitor reckons with {pct * rated / 100:.1f} Ah, {said} % of the rated {rated:g} Ah: that is how "
    )
    text += f"far its reported charge moves with the counted current (standard error {error} %, "
    text += f"{counted(count.count, 'session')}). "
    return Finding(
        severity=Severity.SERVICE if borne_out else Severity.NOTE,
        item="",
        measured=pct,
        limit=limit,
        unit=UNIT,
        se=se,
        statement=text
        + (
            "Its report is right at the step of the curve, where one that reckons with too little would stand too low."
            if borne_out
            else "Whether the pack holds no more was not measured."
        ),
        confidence=confidence(pct, limit, se),
        persistence=1.0,
        count=count.count,
        duration_s=count.duration_s,
        windows=count.windows(),
        signals=("pack_soc", "pack_current"),
        not_separable="A pack that has lost capacity, a monitor set to a smaller pack, or a profile that names a "
        "larger one: a full charge and a measured discharge tell.",
        unsettled=not borne_out,
    )


def _borne_out(record: Record, pct: float, limits: Mapping[str, float]) -> bool:
    """Whether a pack that held `look` would show: counted from full by a monitor that reckons with pct, the report at
    the step would be too low by more than it surely is."""
    steps, spread = report_at_step(record, limits["days"])
    known = reference(record, "charge_step_soc_pct")
    if known is None or not steps.height:
        return False
    gap, own = pool(steps["gap"].to_numpy(), steps["se_pct"].cast(pl.Float64).to_numpy())
    wrong = (100.0 - known.value) * (limits["look"] / pct - 1.0)  # by which it would be too low
    return wrong + gap > limits["z"] * float(np.hypot(own, spread))


def _since_step(chains: list[Measured], limits: Mapping[str, float]) -> list[Measured]:
    """Those after a sudden loss, when there was one: what the pack held before says nothing about today."""
    least = int(limits["least_chains"])
    step = upward_step(-np.array([c.ah for c in chains]), np.array([c.random_se for c in chains]), least)
    return chains[step.first :] if step is not None and step.z >= limits["step_z"] else chains


def _finding(
    pct: float, se: float, chains: list[Measured], rated: float, act: bool, limits: Mapping[str, float]
) -> Finding:
    limit = passed(pct, se, limits)
    shown = float(np.mean([100 * c.ah / rated < limit for c in chains]))
    holds = holds_of(pct, se, rated)
    text = f"The pack holds {holds.ah} Ah, {holds.pct} % of its rated {rated:g} Ah (standard error {holds.error} %, "
    text += f"{len(chains)} measurements)." + ("" if act else _outlook(chains, rated, limits["act"]))
    return Finding(
        severity=Severity.SERVICE if act else Severity.NOTE,
        item="",
        measured=pct,
        limit=limit,
        unit=UNIT,
        se=se,
        statement=text,
        confidence=confidence(pct, limit, se),
        persistence=shown,
        count=len(chains),
        duration_s=sum((c.end - c.start) / 1e6 for c in chains),
        windows=tuple(Window(c.start, c.end) for c in sorted(chains, key=lambda c: c.ah))[:10],
        signals=("pack_current", "cell_voltage", "pack_soc"),
        not_separable=alike(rated),
    )


def _outlook(chains: list[Measured], rated: float, limit: float) -> str:
    """When the limit is reached if it goes on like this; nothing when the data do not say."""
    days = np.array([(c.end - chains[0].end) / 86_400e6 for c in chains])
    reach = reaches(days, np.array([100 * c.ah / rated for c in chains]), limit)
    if reach is None:
        return ""
    from_now = [reach.earliest - days[-1], None if reach.latest is None else reach.latest - days[-1]]
    late = "or later" if from_now[1] is None else f"to {from_now[1]:.0f} days"
    return f" At this rate it reaches {limit:g} % in {from_now[0]:.0f} {late} from the newest measurement."


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def cycle(day: float, ah: float, coverage: float = 1.0) -> ExampleSession:
        """A charge from a low rest (6 %) to full in which `ah` went in."""
        low = Event("charge_anchor", 0, 60_000_000, "low", {"soc_pct": 6.0, "se_pct": 1.2, "run_ah": 0.0})
        full = Event(
            "charge_anchor", 3_500_000_000, 3_500_000_000, "full", {"soc_pct": 100.0, "se_pct": 1.0, "run_ah": -ah}
        )
        return one_session(
            day,
            "charge",
            Metric(name="pack_run_ah", value=-ah, unit="Ah", se=None, n=9000, coverage=coverage),
            low,
            full,
        )

    def count(day: float, fell: float) -> ExampleSession:
        """A ride of 6 Ah, 20 % of the rated, over which the report falls by so much."""
        said = Metric("pack_soc_start_pct", 80.0, "%", 0.5, 1), Metric("pack_soc_end_pct", 80.0 - fell, "%", 0.5, 1)
        return one_session(day, "ride", Metric("pack_run_ah", 6.0, "Ah", None, 900), *said)

    def from_low(day: float, held: float) -> ExampleSession:
        """A charge from a twentieth to full at a quarter of C, of a 30 Ah pack that holds so much of it."""
        put = np.arange(0.015, 0.95 * held, 0.03)
        volts = np.interp(0.05 + put / held, CHARGE, possible_curves()[0]) + 0.01
        levels = (
            Event(
                "group_levels",
                round(float(q) * 14_400_000_000),
                round(float(q + 0.02) * 14_400_000_000),
                "charge",
                {"run_ah": -30.0 * float(q), "current_a": -7.5, "median_v": float(v)},
            )
            for q, v in zip(put, volts, strict=True)
        )
        end, ah = round(0.95 * held * 14_400_000_000), -0.95 * held * 30.0
        full = Event("charge_anchor", end, end, "full", {"soc_pct": 100.0, "se_pct": 1.0, "run_ah": ah})
        return one_session(day, "charge", Metric("pack_run_ah", ah, "Ah", None, 900, coverage=1.0), *levels, full)

    return Cases(
        fires_on=(
            record(*(count(d, 28.0) for d in range(4))),
            record(from_low(0, 0.65)),
            record(*(cycle(d, 0.94 * 30 * 0.72) for d in range(0, 12, 3))),
            record(*(cycle(d, 0.94 * 30 * 0.80) for d in range(0, 12, 3))),
            record(*(cycle(d, 28.2) for d in range(0, 15, 3)), *(cycle(d, 0.94 * 30 * 0.70) for d in (15, 18, 21))),
        ),
        quiet_on=(
            record(from_low(0, 1.0)),
            record(*(cycle(d, 0.94 * 30 * 0.97) for d in range(0, 12, 3))),
            record(*(cycle(d, 0.94 * 30 * 0.84) for d in range(0, 6, 3))),  # too near the limit to say
        ),
        unassessed_on=(
            record(cycle(0, 20.0)),
            record(*(cycle(d, 20.0, coverage=0.9) for d in range(0, 12, 3))),  # seconds are missing
        ),
    )


RULE = Rule(
    id="pack_capacity_low",
    title="Low capacity of the pack",
    subsystem="pack",
    severity=Severity.SERVICE,
    when=(
        (
            Severity.SERVICE,
            "it surely holds less than `look`, and less than `act` within the error; or the battery monitor reckons "
            "with so little, and its report is right at the step of the curve",
        ),
        (
            Severity.NOTE,
            "surely less than `look`, or the battery monitor reckons with less; beside few known packs of its type it "
            "is never more than this",
        ),
    ),
    needs=("pack_run_ah",),
    roles=("cell_voltage", "pack_current"),
    limits=LIMITS,
    judge=judge,
    meaning="The pack stores less charge than it was rated for. Range shrinks in proportion.",
    causes=(
        Cause("age and use", only_by("the capacity of a pack of the same age and use")),
        Cause(
            "one weak group that ends the discharge for all",
            also_found("low_capacity_group", "out_of_balance", "weak_group", "leaking_group"),
        ),
        Cause("long storage at full charge and warmth", only_by("how it was stored before the record began")),
    ),
    bench=(
        "charge to full, rest an hour, discharge at C/5 to the maker's limit at 25 °C, and count the charge",
        "compare the pack's current sensor with a reference meter",
    ),
    cautions=("A capacity test needs a load rated for the pack and someone in the room. Only a qualified person.",),
    version=9,  # says what was too vague; in 8 by one charge to full
    source=("charge counted between anchors on steep parts of the open-circuit curve; end of life: common practice"),
    cases=_cases,
)
