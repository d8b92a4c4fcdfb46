"""The vehicle rolls hard: more resistance than the fleet's, over many kilometres.

The grade is not observed. It averages out over round trips, and what it leaves is in the error; the fleet
rides the same hills, so that its middle is the yardstick. A vehicle is judged only when its error is small
enough.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from pipeline.health.evidence import confidence, metric_rows, recent, reference, seconds, spell, windows
from pipeline.health.examples import days, fleet, record
from pipeline.health.model import Finding, Limit, NotAssessed, Record, Rule
from pipeline.metrics.model import Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    rows = recent(metric_rows(record, "travel_rolling"), limits["days"]).drop_nulls("se")
    known = reference(record, "travel_rolling")
    if known is None:
        return NotAssessed("no fleet reference for rolling resistance: fit one first")
    if not rows.height:
        return NotAssessed("no ride with speed, motor current and the profile's figures for torque and mass")
    weight = 1.0 / rows["se"].to_numpy() ** 2
    value = float((rows["value"].to_numpy() * weight).sum() / weight.sum())
    se = math.hypot(1.0 / math.sqrt(float(weight.sum())), known.spread / math.sqrt(known.n))
    if se > limits["largest_se"]:
        return NotAssessed(f"rolling resistance known only to ±{se:.3f}; more kilometres are needed")
    # what healthy vehicles differ by and what these rides leave open are independent: their squares add
    limit = known.value + max(limits["excess"], limits["sigmas"] * math.hypot(known.spread, se))
    if value < limit:
        return []
    return [
        Finding(
            "service",
            "",
            value,
            limit,
            "1",
            f"Over {rows.height} rides the vehicle rolled with {spell(value, '', se)} of its weight as "
            f"resistance, against "
            f"{spell(known.value, '')} in the fleet; grade is averaged, not observed.",
            se=se,
            confidence=confidence(value, limit, se),
            persistence=1.0,
            count=rows.height,
            duration_s=seconds(rows),
            windows=windows(rows, "value"),
            signals=("vehicle_speed", "motor_current", "throttle"),
            not_separable="Bearing, belt, brake dragging or low tyres: turning each wheel by hand, off the "
            "ground, "
            "separates them.",
        )
    ]


def _case(value: float, rides: int = 12, se: float = 0.012, fitted: bool = True) -> Record:
    known = fleet(("travel_rolling", 0.02, 0.002, "1")) if fitted else None
    return record(*days(rides, "ride", Metric("travel_rolling", value, "1", se, 400)), reference=known)


RULE = Rule(
    id="drag_high",
    title="Rolls hard",
    subsystem="drive",
    severity="service",
    needs=("travel_rolling",),
    roles=("vehicle_speed", "motor_current", "brake_demand"),
    limits=(
        Limit(
            "excess", 0.010, "1", "of the weight, above the fleet; a good tyre has 0.010 to 0.015 in all: from memory"
        ),
        Limit(
            "sigmas", 3.5, "1", "or this many of spread and error together, 1 in 4,000 by chance: engineering choice"
        ),
        Limit("largest_se", 0.008, "1", "engineering choice"),
        Limit("days", 45.0, "days", "it takes many kilometres: engineering choice"),
    ),
    judge=judge,
    meaning="Range is lost and something is warm that should not be: a dragging brake or bearing wears and heats.",
    causes=("Brake dragging", "Bearing worn", "Belt too tight", "Tyre pressure low", "Heavier load than usual"),
    bench=(
        "Lift each wheel and turn it by hand",
        "Feel hubs and brakes after a ride, carefully: they may be hot",
        "Check tyre pressure and belt tension",
    ),
    cautions=("A dragging brake can get hot enough to fade or burn: let it cool before touching it.",),
    source="force balance with the profile's figures; the fleet's middle as yardstick",
    fires_on=(_case(0.045), _case(0.040, rides=30)),
    quiet_on=(_case(0.022), _case(0.033, rides=8), _case(0.028, rides=30)),
    unassessed_on=(_case(0.045, fitted=False), _case(0.045, rides=1)),
)
