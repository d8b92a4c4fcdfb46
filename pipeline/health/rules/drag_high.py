"""The vehicle rolls hard: more resistance than the fleet's, or than its own earlier rides.

The grade is not observed. It averages out over round trips, and what it leaves is in the error; the fleet
rides the same hills, so that its middle is one yardstick. The other is the vehicle itself: rider, load, home
and hills stay what they were, so that a step in its own history needs no fleet and tells when it began. A
vehicle is judged only when its error is small enough.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime

import numpy as np
import polars as pl

from herdbook.pipeline.health.change import LevelStep, upward_step
from herdbook.pipeline.health.reading import metric_rows, recent, reference, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence
from herdbook.pipeline.metrics.shared.road_vehicle import road_vehicle
from herdbook.pipeline.science.road import AIR, GRAVITY
from herdbook.pipeline.vehicle.record import Metric

NAMES = ("ride_rolling", "travel_rolling")  # the better one first
MOST = 200  # newest rides: engineering choice


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    reasons = []
    for name in NAMES:
        rows = metric_rows(record, name).drop_nulls("se").filter(pl.col("se") > 0)
        if not rows.height:
            continue
        said = _judge(record, name, rows.sort("start_t"), limits)
        if not isinstance(said, NotAssessed):
            return said
        reasons.append(said)
    return (
        reasons[0]
        if reasons
        else NotAssessed("no ride with speed, motor current and the profile's figures for torque and mass")
    )


def _judge(record: Record, name: str, rows: pl.DataFrame, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    rows = rows.tail(MOST)
    step = upward_step(rows["value"].to_numpy(), rows["se"].to_numpy()) if name == NAMES[0] else None
    if step is not None:
        after = rows.slice(step.first)
        if step.z >= limits["own_sigmas"] and step.rise >= limits["excess"]:
            return [_since(rows, after, step, limits)]
        if after.height >= limits["least_rides"]:  # what began lately is not hidden behind the rides before it
            said = _against_fleet(record, name, recent(after, limits["days"]), limits)
            if said and not isinstance(said, NotAssessed):
                return said
    return _against_fleet(record, name, recent(rows, limits["days"]), limits)


def _since(rows: pl.DataFrame, after: pl.DataFrame, step: LevelStep, limits: Mapping[str, float]) -> Finding:
    last: datetime = rows["start_t"].to_list()[step.first - 1]
    first: datetime = after["start_t"].to_list()[0]
    limit = step.before + limits["excess"]
    text = f"Since a day between {last:%Y-%m-%d} and {first:%Y-%m-%d} the vehicle rolls with "
    text += f"{spell(step.after, '', step.after_se)} of its weight as resistance over {after.height} rides, against "
    text += f"{spell(step.before, '')} in its own {step.first} rides before; grade is averaged, not observed."
    return _finding(text, step.after, limit, step.se, after)


def _against_fleet(
    record: Record, name: str, rows: pl.DataFrame, limits: Mapping[str, float]
) -> list[Finding] | NotAssessed:
    known = reference(record, name)
    if known is None:
        return _against_maker(record, name, rows, limits)
    weight = 1.0 / rows["se"].to_numpy() ** 2
    value = float((rows["value"].to_numpy() * weight).sum() / weight.sum())
    se = math.hypot(1.0 / math.sqrt(float(weight.sum())), known.spread / math.sqrt(known.n))
    if se > limits["largest_se"]:
        return NotAssessed(f"rolling resistance known only to ±{se:.3f}; more kilometres are needed")
    # what healthy vehicles differ by and what these rides leave open are independent: their squares add
    limit = known.value + max(limits["excess"], limits["sigmas"] * math.hypot(known.spread, se))
    if value < limit:
        return []
    text = f"Over {rows.height} rides the vehicle rolled with {spell(value, '', se)} of its weight as resistance, "
    text += f"against {spell(known.value, '')} in the fleet; grade is averaged, not observed."
    return [_finding(text, value, limit, se, rows)]


def _against_maker(
    record: Record, name: str, rows: pl.DataFrame, limits: Mapping[str, float]
) -> list[Finding] | NotAssessed:
    """Without a fleet the maker's figure is what there is; load and wind are not known and stay in the error."""
    none = NotAssessed("no fleet reference for rolling resistance: fit one first")
    car = road_vehicle(record.profile)
    if name != NAMES[0] or math.isnan(car.rolling) or not car.known:
        return none
    weight = 1.0 / rows["se"].to_numpy() ** 2
    value = float((rows["value"].to_numpy() * weight).sum() / weight.sum())
    misfit = float((weight * (rows["value"].to_numpy() - value) ** 2).sum()) / max(rows.height - 1, 1)
    own = math.sqrt(max(misfit, 1.0) / float(weight.sum()))
    wind = AIR * car.drag_area_m2 * limits["speed"] * limits["wind"] / (car.mass_kg * GRAVITY)
    se = math.hypot(own, limits["load"] * car.rolling, wind, limits["losses"])
    limit = car.rolling + limits["excess"]
    if (value - limit) < limits["sigmas"] * se:
        return none
    text = f"Over {counted(rows.height, 'ride')} the vehicle rolled with {spell(value, '', se)} of its weight as "
    text += f"resistance, against {spell(car.rolling, '')} by its maker; load and wind are in the error, not observed."
    return [_finding(text, value, limit, se, rows)]


def _finding(text: str, value: float, limit: float, se: float, rows: pl.DataFrame) -> Finding:
    return Finding(
        severity=Severity.SERVICE,
        item="",
        measured=value,
        limit=limit,
        unit="1",
        statement=text,
        se=se,
        confidence=confidence(value, limit, se),
        persistence=1.0,
        count=rows.height,
        duration_s=seconds(rows),
        windows=windows(rows, "value"),
        signals=("vehicle_speed", "motor_current", "throttle"),
        not_separable="Bearing, belt, brake dragging, low tyres or a load that is new: turning each wheel by hand, "
        "off the ground, and the scales separate them.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, fleet, record

    def case(value: float, rides: int = 12, se: float = 0.012, fitted: bool = True) -> Record:
        known = fleet(("travel_rolling", 0.02, 0.002, "1")) if fitted else None
        return record(*days(rides, "ride", Metric("travel_rolling", value, "1", se, 400)), reference=known)

    def history(*values: float, se: float = 0.005, fitted: bool = False) -> Record:
        """Rides on days running; every second one a little uphill, the others down."""
        known = fleet(("ride_rolling", 0.02, 0.002, "1")) if fitted else None
        hills = 0.004 * np.cos(np.pi * np.arange(len(values)))
        rides = [
            days(
                1,
                "ride",
                Metric("ride_rolling", float(v + h), "1", se, 400),
                Metric("travel_rolling", float(v + h), "1", 4 * se, 300),
                first=k,
            )
            for k, (v, h) in enumerate(zip(values, hills, strict=True))
        ]
        return record(*(s for one in rides for s in one), reference=known)

    return Cases(
        fires_on=(
            case(0.045),
            case(0.040, rides=30),
            history(*[0.05] * 6, fitted=True),
            history(*[0.03] * 4, *[0.055] * 6),  # no fleet is needed
            history(*[0.015] * 6, *[0.033] * 6, fitted=True),  # by its own rides before the fleet can tell
        ),
        quiet_on=(
            case(0.022),
            case(0.033, rides=8),
            case(0.028, rides=30),
            history(*[0.02] * 12, fitted=True),
            history(*[0.015] * 6, *[0.022] * 6, fitted=True),  # a step too small to look for its cause
            history(*[0.02] * 6, *[0.04] * 2, se=0.015, fitted=True),  # two hilly rides
        ),
        unassessed_on=(
            case(0.045, fitted=False),
            case(0.045, rides=1),
            history(*[0.02] * 12),
            history(0.05, 0.02, 0.02, fitted=True, se=0.02),
        ),
    )


RULE = Rule(
    id="drag_high",
    title="High rolling drag",
    subsystem="drive",
    severity=Severity.SERVICE,
    needs=("travel_rolling",),
    roles=("vehicle_speed", "motor_current", "brake_demand"),
    limits=(
        Limit(
            "excess", 0.010, "1", "of the weight, above the fleet; a good tyre has 0.010 to 0.015 in all: from memory"
        ),
        Limit("sigmas", 3.0, "1", "or this many of spread and error together, 1 in 740 by chance: engineering choice"),
        Limit(
            "own_sigmas", 4.0, "1", "of a step in its own rides: 1 in 30,000 for each place to cut: engineering choice"
        ),
        Limit("least_rides", 3, "rides", "since a likely change, held against the fleet: engineering choice"),
        Limit("largest_se", 0.008, "1", "engineering choice"),
        Limit("load", 0.25, "1", "of the maker's mass, by rider and load: engineering choice"),
        Limit("wind", 1.5, "m/s", "usual wind that does not turn with the road: engineering choice"),
        Limit("speed", 5.0, "m/s", "at which wind and rolling are told apart worst: engineering choice"),
        Limit("losses", 0.003, "1", "of belt and iron beyond the model: engineering choice"),
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
    source="force balance with the profile's figures; the fleet's middle and its own earlier rides as yardsticks",
    version=3,
    matters=False,  # range, not safety: it needs a fleet or many rides
    cases=_cases,
)
