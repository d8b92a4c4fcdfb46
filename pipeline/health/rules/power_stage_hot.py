"""A power stage of the controller gets too hot, or one side far hotter than the other, or far hotter by its current
than on other vehicles of the type."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import more_than_twin, only_by, over
from herdbook.pipeline.health.reading import metric_rows, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._bad_sensors import bad_drive_sensors
from herdbook.pipeline.health.rules._heat_against_fleet import DRIVE_CAUTION, multiple, too_hot, warmer_than_fleet
from herdbook.pipeline.health.sentences import counted, of_side, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, largest, middle
from herdbook.pipeline.vehicle.record import Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    tops = metric_rows(record, "fet_temp_max_c").filter(pl.col("coverage") > 0.5)
    if not tops.height:
        return NotAssessed("no ride with power stage temperatures over half of its time")
    own = record.profile.drive_figures.fet_max_c
    limit = limits["highest"] if own is None else own
    found = []
    bad = bad_drive_sensors(record, "fet")
    sides = sorted(set(tops["item"].to_list()) - bad)
    if not sides:
        return NotAssessed("no power stage's sensor can be believed: see the finding on temperature sensors")
    for side in sides:
        rows = tops.filter(pl.col("item") == side)
        hot = too_hot(side, "power stage", rows, limit, ("fet_temp", "motor_current", "derate"))
        hot = hot or _for_load(record, side, limits)
        if hot is not None:
            found.append(hot)
    if bad:
        return found
    named = {f.item for f in found}
    return found + [f for f in _apart(record, tops, limits) if f.item not in named]


def _for_load(record: Record, side: str, limits: Mapping[str, float]) -> Finding | None:
    """Against other vehicles of the type at their own currents; the fleet's spread holds what roads and riders add."""
    known = multiple(record, "fet_heat_k_per_ka2", side, dict(limits), fitted=False)
    if known is None:
        return None
    further = largest(metric_rows(record, "fet_rise_k", side)["value"] * (1.0 - 1.0 / max(known.value, 1.0)))
    if further < limits["apart"]:
        return None
    return warmer_than_fleet(
        side,
        known,
        limits,
        statement=f"Over {counted(known.rows.height, 'ride')} the {of_side(side, 'power stage')} warmed "
        f"{spell(known.value, 'times', known.se)} as much by its current as those of {known.vehicles} other vehicles "
        f"of this type, {spell(further, 'K')} further at most.",
        signals=("fet_temp", "motor_current", "derate"),
        not_separable="Worse contact to the heat sink, less air over it, or a sensor: a second thermometer on the heat "
        "sink separates them.",
    )


def _apart(record: Record, tops: pl.DataFrame, limits: Mapping[str, float]) -> list[Finding]:
    rows = metric_rows(record, "fet_temp_apart_k")
    mid = middle(rows["value"], least_se=0.5)
    if mid.n < limits["sessions"] or mid.value - 3 * mid.se < limits["apart"]:
        return []
    means = tops.group_by("item").agg(pl.col("value").mean()).sort("value", descending=True)
    side = str(means["item"][0])
    hit = rows.filter(pl.col("value") > limits["apart"])
    return [
        Finding(
            severity=Severity.SERVICE,
            item=side,
            measured=mid.value,
            limit=limits["apart"],
            unit="K",
            statement=f"The {side} power stage is {spell(mid.value, 'K', mid.se)} hotter than the other, in the "
            f"middle of {rows.height} rides.",
            se=mid.se,
            confidence=confidence(mid.value, limits["apart"], mid.se),
            persistence=hit.height / rows.height,
            count=hit.height,
            duration_s=seconds(hit),
            windows=windows(hit, "value"),
            signals=("fet_temp", "motor_current"),
            not_separable="More current on that side, worse contact to the heat sink, or a sensor: compare the motor "
            "currents first, then a second thermometer separates the rest.",
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, fleet, record

    def case(top: float, apart: float, sessions: int = 5) -> Record:
        parts = (
            Metric("fet_temp_max_c", top, "degC", n=300, item="left"),
            Metric("fet_temp_max_c", top - apart, "degC", n=300, item="right"),
            Metric("fet_temp_apart_k", apart, "K", n=300),
        )
        return record(*days(sessions, "ride", *parts))

    def alone(per_ka2: float, rise: float, sessions: int = 3) -> Record:
        parts = (
            Metric("fet_temp_max_c", 25.0 + rise, "degC", n=300, item="left"),
            Metric("fet_heat_k_per_ka2", per_ka2, "K/kA2", 0.15 * per_ka2, n=300, item="left"),
            Metric("fet_rise_k", rise, "K", 0.7, n=300, item="left"),
        )
        return record(*days(sessions, "ride", *parts), reference=fleet(("fet_heat_k_per_ka2", 20.0, 3.0, "K/kA2")))

    return Cases(
        fires_on=(case(105.0, 3.0), case(80.0, 25.0), alone(80.0, 50.0)),
        quiet_on=(
            case(80.0, 6.0),
            case(105.0, 3.0, sessions=1),
            alone(25.0, 15.0),
            alone(80.0, 12.0),
            alone(80.0, 50.0, sessions=1),
        ),
        unassessed_on=(record(*days(3, "ride", Metric("fet_temp_max_c", 60.0, "degC", coverage=0.2, item="left"))),),
    )


RULE = Rule(
    id="power_stage_hot",
    title="Power stage too hot",
    subsystem="thermal",
    severity=Severity.SERVICE,
    needs=("fet_temp_max_c",),
    roles=("fet_temp", "motor_current"),
    limits=(
        Limit(
            "highest",
            95.0,
            "degC",
            "board sensors read 20 to 50 K under the junction (from memory); fet_max_c wins",
        ),
        Limit(
            "apart",
            15.0,
            "K",
            "left against right at the same duty; or beyond what other vehicles warm: engineering choice",
        ),
        Limit(
            "ratio",
            1.0,
            "1",
            "more than other vehicles' by their currents, so twice as warm: engineering choice; this and the next "
            "three were made after a hot stage of an outside simulation had been missed",
        ),
        Limit("sigmas", 4.0, "1", "and so many robust spreads of the fleet: engineering choice"),
        Limit("largest_se", 0.5, "1", "of one ride's figure, as a share, to count: engineering choice"),
        Limit("days", 21.0, "days", "the newest rides only, at most 40: engineering choice"),
        Limit("sessions", 3, "sessions", "engineering choice"),
    ),
    judge=judge,
    meaning="A power stage near its limit derates, and fails early. One side hotter than the other has its own cause.",
    causes=(
        Cause(
            "Heat sink not in contact or dirty",
            only_by("a look under the power stage, and a second thermometer on the heat sink"),
        ),
        Cause("One motor drawing more current", more_than_twin()),
        Cause("Long climbs in hot weather", over("ambient_temp", 28.0, "the air", rules_out=False)),
    ),
    bench=(
        "Compare both motors' currents at the same speed",
        "Check heat sink screws, pad and air path",
        "Compare both sensors after a night's rest",
    ),
    cautions=DRIVE_CAUTION,
    version=3,
    source="derating of boards at 80 to 100 °C: common practice; limits: the profile",
    cases=_cases,
)
