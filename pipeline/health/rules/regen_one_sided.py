"""One motor brakes harder than the other, again and again: the vehicle pulls to that side.

Turning makes the sides differ for a moment, so the middle over all brakings is judged and the side must agree.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import bits_set, less_likely_if, only_by, pulls_like_its_twin
from herdbook.pipeline.health.reading import Reference, reference, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._judged_brakings import CAUTION, NEWEST, table
from herdbook.pipeline.health.rules._motor_gone import ENDS, Lacking, brakings_of_both, gone, lacking
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.health.statistics import confidence, mean, middle

FRONT_AND_REAR = (
    "front and rear motor may share the braking unevenly by design, even one of them all of it, and no fleet of this "
    "profile says what is usual (`herdbook store refit` makes that from five vehicles): held against its own earlier "
    "braking events alone, and {what}"
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    motors = {m.item for m in record.profile.roles if m.role == "motor_current"}
    if motors == {"front", "rear"}:
        return _front_and_rear(record, limits)
    every = table(record).drop_nulls(["asymmetry", "left_a", "right_a"]).tail(NEWEST)
    if every.height < limits["least"]:
        return NotAssessed(f"only {counted(every.height, 'braking event')} with the current of both motors recorded")
    every = every.with_columns(
        index=2.0 * (pl.col("left_a") - pl.col("right_a")) / (pl.col("left_a") + pl.col("right_a"))
    )
    sides = [newest_stretch(every, (sign * every["index"] > limits["index"]).to_numpy(), 0.5) for sign in (1.0, -1.0)]
    since = min(sides, key=lambda s: s.chance)
    signed, chance = since.rows, 2.0 * since.chance
    mid = middle(signed["index"], least_se=0.01)
    few = every.height < limits["count"]
    if few and any((sign * every["index"] > limits["far"]).all() for sign in (1.0, -1.0)):
        chance = 0.05
    elif few:
        return NotAssessed(f"only {counted(every.height, 'braking event')} with the current of both motors recorded")
    elif chance > limits["chance"] or abs(mid.value) - 3.0 * mid.se < limits["index"]:
        return []
    brakings = signed
    weak = "right" if mid.value > 0 else "left"
    sign = 1.0 if mid.value > 0 else -1.0
    hit = signed.with_columns(size=sign * pl.col("index")).filter(pl.col("size") > limits["index"])
    dead = mean(hit[f"{weak}_a"]) < 0.1 * mean(hit["left_a"] + hit["right_a"])
    what = "next to nothing" if dead else "less"
    return [
        Finding(
            severity=Severity.STOP_USE if dead else Severity.SERVICE,
            item=weak,
            measured=abs(mid.value),
            limit=limits["index"],
            unit="1",
            statement=f"The {weak} motor braked with {what}: {spell(mean(hit[f'{weak}_a']), 'A')} against "
            f"{spell(mean(hit['left_a'] + hit['right_a']) - mean(hit[f'{weak}_a']), 'A')} in {hit.height} of "
            f"{brakings.height} braking events.",
            se=mid.se,
            confidence=min(1.0 - chance, confidence(abs(mid.value), limits["index"], mid.se)),
            persistence=hit.height / brakings.height,
            count=hit.height,
            duration_s=seconds(hit),
            windows=windows(hit, "size"),
            signals=("motor_current", "motor_speed", "brake_demand", "motor_fault"),
        )
    ]


def _front_and_rear(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    rows = brakings_of_both(table(record), limits["least_a"])
    usual = reference(record, "braking_front_share")
    found = gone(rows, limits)
    if found is None and (little := lacking(rows, usual, limits)):
        return [_lacking(little)]
    if found is None and usual is not None and rows.height >= limits["count"]:
        return _one_ride(rows, usual, limits)
    if found is None and rows.height < 2 * limits["count"]:
        few = f"fewer than {2 * limits['count']:.0f} strong enough ones of this vehicle tell both currents"
        return NotAssessed(FRONT_AND_REAR.format(what=few))
    if found is None:
        shares = [mean(rows[f"{end}_a"] / (rows["front_a"] + rows["rear_a"])) for end in ENDS]
        if min(shares) >= limits["took"]:
            return []
        weak = f"in those of this vehicle one motor gave {100 * min(shares):.0f} % of the current, on average"
        return NotAssessed(FRONT_AND_REAR.format(what=weak))
    after = found.after.with_columns(size=1.0 - pl.col("share"))
    now = mean(after["share"])
    return [
        Finding(
            severity=Severity.SERVICE,
            item=found.end,
            measured=now,
            limit=limits["gone"],
            unit="1",
            statement=f"The {found.end} motor braked with next to nothing in its last "
            f"{counted(after.height, 'braking event')}; in the {found.before.height} before it gave "
            f"{spell(100 * found.usual, '%')} of the braking current.",
            confidence=min(1.0 - found.chance, 0.98),
            persistence=1.0,
            count=after.height,
            duration_s=seconds(after),
            windows=windows(after, "size"),
            signals=("motor_current", "motor_speed", "brake_demand", "motor_fault"),
            not_separable="A fault, or a mode that brakes with one motor: a ride in each mode separates them.",
        )
    ]


def _one_ride(rows: pl.DataFrame, usual: Reference, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    """Nothing to tell, unless all brakings known are of one ride and that ride would be told if it were two."""
    odd = lacking(rows, usual, {**limits, "rides": 1})
    if odd is None:
        return []
    return NotAssessed(
        f"in its one ride with both currents recorded the {odd.end} motor gave {100 * odd.share:.0f} % of the braking "
        f"current, and {100 * odd.usual:.0f} % on other vehicles of this type; a mode may be chosen for one ride, so "
        "another ride is needed"
    )


def _lacking(found: Lacking) -> Finding:
    rows = found.rows.with_columns(size=1.0 - pl.col("share"))
    return Finding(
        severity=Severity.SERVICE,
        item=found.end,
        measured=found.share,
        limit=found.most,
        unit="1",
        statement=f"The {found.end} motor gave {spell(100 * found.share, '%')} of the braking current, the median of "
        f"{counted(rows.height, 'braking event')}; on other vehicles of this type it gives "
        f"{spell(100 * found.usual, '%')}.",
        confidence=0.97,  # engineering choice: so many spreads are no chance
        persistence=found.often,
        count=rows.height,
        duration_s=seconds(rows),
        windows=windows(rows, "size"),
        signals=("motor_current", "motor_speed", "brake_demand", "motor_fault"),
        not_separable="A fault, or another setting than the other vehicles have: read both motors' settings.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.rules._example_brakings import braked

    return Cases(
        fires_on=(
            braked(*[{"asymmetry": 0.6, "left_a": 26.0, "right_a": 14.0}] * 10),
            braked(*[{"asymmetry": 2.0, "left_a": 0.0, "right_a": 28.0}] * 10),
            braked(*[{"asymmetry": 0.6, "left_a": 26.0, "right_a": 14.0}] * 3),
        ),
        quiet_on=(
            braked(*[{"asymmetry": 0.1, "left_a": 20.0, "right_a": 18.1}] * 20),
            braked(
                *[
                    {"asymmetry": 0.5, "left_a": 25.0, "right_a": 15.0},
                    {"asymmetry": 0.5, "left_a": 15.0, "right_a": 25.0},
                ]
                * 8
            ),
        ),
        unassessed_on=(braked(), braked(*[{"asymmetry": 0.4, "left_a": 24.0, "right_a": 16.0}] * 3)),
    )


RULE = Rule(
    id="regen_one_sided",
    title="Electric brake one-sided",
    subsystem="braking",
    severity=Severity.STOP_USE,
    when=(
        (
            Severity.STOP_USE,
            "one of two motors side by side brakes with next to nothing: every braking pulls to a side",
        ),
        (Severity.SERVICE, "else"),
    ),
    needs=("braking_count",),
    roles=("motor_current", "brake_demand"),
    limits=(
        Limit("index", 0.25, "1", "|left - right| over their mean; 30 against 24 A is 0.22: engineering choice"),
        Limit("chance", 0.05, "1", "of so many on one side were the middle at the limit (sign test, both sides)"),
        Limit(
            "count",
            6,
            "braking events",
            "turns even out over these: engineering choice; over several rides up to nine are needed to be under "
            "`chance`, and fewer are told as nothing found",
        ),
        Limit(
            "gone",
            0.05,
            "share",
            "of the braking current of a front or rear motor: engineering choice; this, `took`, `rides` and `least_a` "
            "were made after an outside simulation's silent front motors had been missed",
        ),
        Limit(
            "beside_fleet",
            0.5,
            "share",
            "of what the same motor gives on other vehicles: engineering choice; this, `spreads` and `nearly_all` were "
            "made after a dead front motor of an outside simulation had been missed",
        ),
        Limit("spreads", 6.0, "1", "and so many robust spreads of the fleet under it: engineering choice"),
        Limit("nearly_all", 0.8, "share", "of the braking events: one may fall into a corner: engineering choice"),
        Limit("took", 0.15, "share", "that it gave before, in the middle: engineering choice"),
        Limit("rides", 2, "rides", "without it: a mode may be chosen for one ride: engineering choice"),
        Limit("least_a", 3.0, "A", "torque current of both motors' middle: engineering choice"),
        Limit("least", 2, "braking events", "when all are beyond `far` on one side; 0.95 sure: engineering choice"),
        Limit("far", 0.5, "1", "the weak side brakes with less than 60 % of the other; no corner does it: calculation"),
    ),
    judge=judge,
    meaning="Braking pulls the vehicle to one side; on a wet or loose road it can turn it.",
    causes=(
        Cause("One power stage or motor weak or switched off", bits_set("motor_fault", "controller_fault")),
        Cause(
            "A phase wire or plug open on one side",
            less_likely_if(
                only_by("the resistance between the phases at the controller's plug"), pulls_like_its_twin()
            ),
        ),
        Cause(
            "Current sensor of one side reading wrong",
            less_likely_if(only_by("a clamp on one phase of each motor under the same torque"), pulls_like_its_twin()),
        ),
        Cause("Uneven configuration of the two motors", only_by("both motors' settings, read one beside the other")),
    ),
    bench=(
        "Wheels free: command a braking and measure both motors' phase currents",
        "Swap the two motors' plugs, if the maker allows it: does the weak side move along?",
        "Read both fault memories",
    ),
    cautions=CAUTION,
    source="asymmetry index: definition here; limit: engineering choice",
    version=8,  # a side that does not brake is not to be ridden; in 7 front and rear
    applies=lambda profile: sum(mapping.role == "motor_current" for mapping in profile.roles) > 1,
    cases=_cases,
)
