"""The electric brake answers, but gives less than asked and allowed, again and again.

Told from a refusal by what it does give; told from a limiter at work by the same accounting. The middle over
all brakings is judged, so that no single stop and no single bad sample speaks. Beside the limit and the fleet, its own
earlier brakings are a yardstick: a step far beyond what they scatter by is told after few.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, motors_alike, only_by, unless
from herdbook.pipeline.health.reading import reference, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._judged_brakings import CAUTION, EXPLAINED, NEWEST, accounted, by_whom, withheld
from herdbook.pipeline.health.rules._own_step import own_step
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.health.statistics import confidence, middle

LEAST_SE = 0.01  # of one braking's share: engineering choice


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    every = accounted(record).filter(pl.col("learned").is_null())
    every = every.filter(pl.col("delivered_a") >= 0.2 * pl.col("demand_a")).tail(NEWEST)
    if every.height < limits["least"]:
        return NotAssessed(f"only {counted(every.height, 'answered braking event')} with the pack's state recorded")
    explained = pl.sum_horizontal(pl.col(f"short_{p}_a").fill_null(0.0) for p in EXPLAINED)
    every = every.with_columns(missing=1.0 - (pl.col("delivered_a") + explained) / pl.col("demand_a"))
    usual = reference(record, "regen_missing_share")
    limit = limits["missing"] if usual is None else max(usual.value, 0.0) + limits["over_fleet"]
    since = newest_stretch(every, (every["missing"] > limit).to_numpy(), 0.5)
    brakings, chance, before, earlier = since.rows, since.chance, since.before, ""
    mid = middle(brakings["missing"], least_se=LEAST_SE)
    few = every.height < limits["count"]
    if few and (every["missing"] > limit + limits["far"]).all():
        chance = 0.05
    elif few:
        return NotAssessed(f"only {counted(every.height, 'answered braking event')} with the pack's state recorded")
    elif chance > limits["chance"] or mid.value - 3.0 * mid.se < limit:
        step = own_step(every["missing"].to_numpy(), int(limits["least"]), LEAST_SE, limits["own_sigmas"])
        if step is None:
            return []
        limit = min(limit, max(step.before, 0.0) + limits["over_fleet"])
        brakings, before, chance = every.slice(step.first), step.first, limits["chance"]
        earlier = f" In the {counted(step.first, 'braking event')} before it was {spell(100 * step.before, '%')}."
        mid = middle(brakings["missing"], least_se=LEAST_SE)
        if mid.value - 3.0 * mid.se < limit:
            return []
    if middle(brakings["asymmetry"]).value > limits["sided"]:
        return []  # one side is missing, not a little of both: the one-sided rule speaks
    hit = brakings.filter(pl.col("missing") > limit)
    missing = 100 * mid.value
    # a limiter that always gave so much less may be set so: only a fleet, or brakings before, tell it from a fault
    set_so = withheld(hit) and usual is None and not before
    return [
        Finding(
            severity=Severity.NOTE if set_so else Severity.SERVICE,
            unsettled=set_so,
            item="",
            measured=missing,
            limit=100 * limit,
            unit="%",
            statement=f"The electric brake gave {spell(missing, '%', 100 * mid.se)} less than asked, the median of "
            f"{brakings.height} braking events: {by_whom(hit)}.{earlier}",
            se=100 * mid.se,
            confidence=min(0.8 if set_so else 1.0 - chance, confidence(mid.value, limit, mid.se)),
            persistence=hit.height / brakings.height,
            count=hit.height,
            duration_s=seconds(hit),
            windows=windows(hit, "missing"),
            signals=("regen_demand", "regen_current", "regen_allowed", "motor_current", "vehicle_speed"),
            not_separable="A fault, or a limit that its maker set lower than the profile knows: its siblings tell."
            if set_so
            else ""
            if brakings["left_a"].is_not_null().any()
            else "One weak motor or two: not in these data; the phase currents of both motors in a braking would "
            "separate them.",
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.rules._example_brakings import braked, refused

    return Cases(
        fires_on=(
            braked(*[refused("undelivered", 12.0)] * 12),
            braked(*[refused("unreasoned", 14.0)] * 20),
            braked(*[{}] * 20, *[refused("unreasoned", 14.0)] * 4),  # it used to give all
        ),
        quiet_on=(
            braked(*[{}] * 20),
            braked(*[refused("full", 12.0)] * 20),
            braked(*[refused("undelivered", 12.0)] * 3, *[{}] * 20),
            braked(*[{}] * 20, *[refused("undelivered", 18.5)] * 3),
            braked(*[refused("undelivered", 18.0)] * 20),
            braked(*[refused("undelivered", 12.0, asymmetry=0.9, left_a=8.0, right_a=22.0)] * 20),
        ),
        unassessed_on=(braked(), braked(*[{}] * 3)),
    )


RULE = Rule(
    id="regen_weak",
    title="Electric brake weaker than asked",
    subsystem="braking",
    severity=Severity.SERVICE,
    when=(
        (
            Severity.SERVICE,
            "the middle braking surely misses more than `missing`, or `over_fleet` more than the fleet or its own "
            "earlier braking events",
        ),
        (Severity.NOTE, "a limiter keeps so much back in all braking events, and no fleet tells whether it is set so"),
    ),
    needs=("braking_judged_count",),
    roles=("brake_demand", "regen_demand", "regen_current", "regen_allowed", "pack_soc", "cell_temp"),
    must=("brake_demand", "regen_demand", "regen_current|pack_current", "pack_soc|cell_voltage", "cell_temp"),
    limits=(
        Limit(
            "missing",
            0.25,
            "1",
            "of the demand, where no fleet is known: engineering choice, made so that firmware which gives a constant "
            "80 %, as among simulated makers, is no fault",
        ),
        Limit(
            "over_fleet",
            0.12,
            "1",
            "more than the fleet misses, or it did itself before: engineering choice, for two current sensors",
        ),
        Limit("chance", 0.025, "1", "of so many were the middle at the limit (sign test): engineering choice"),
        Limit(
            "own_sigmas", 6.0, "1", "of a step among its own braking events, for every place to cut: engineering choice"
        ),
        Limit("sided", 0.25, "1", "|left - right| over their mean, as in the one-sided rule: engineering choice"),
        Limit(
            "count",
            6,
            "braking events",
            "for a sound middle: engineering choice; over several rides up to nine are needed to be under `chance`, "
            "and fewer are told as nothing found",
        ),
        Limit("least", 3, "braking events", "when each misses `far` more; then 0.95 sure: engineering choice"),
        Limit("far", 0.1, "1", "over the limit, more than one braking is misread by: engineering choice"),
    ),
    judge=judge,
    meaning="Braking works, but less of it arrives than the rider asks for and the pack would take.",
    causes=(
        Cause("One motor not braking", unless(also_found("regen_one_sided"), motors_alike())),
        Cause(
            "Weakened motor magnets after overheating",
            only_by("the no-load volts per speed, cold, against the data sheet"),
        ),
        Cause(
            "Current limit of the power stage set too low, or a current sensor reading high",
            only_by("the settings, and a clamp on one phase"),
        ),
        Cause(
            "High resistance in the pack or its connections, so that the voltage limit cuts the current",
            also_found("resistance_outside_groups", "weak_group"),
        ),
    ),
    bench=(
        "Compare the currents of both motors in one braking",
        "Motor off the belt, cold: back-EMF per speed against the data sheet (weakened magnets lower it for good)",
        "Compare the controller's current reading with a clamp meter",
    ),
    cautions=CAUTION,
    source="accounting of a shortfall: this project; magnets: reversible loss by heat is about 0.12 %/K (from memory)",
    version=4,
    cases=_cases,
)
