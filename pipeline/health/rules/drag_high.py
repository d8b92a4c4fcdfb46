"""The vehicle rolls hard: more resistance than the fleet's, or than its own earlier rides.

The grade is not observed. It averages out over round trips, and what it leaves is in the error; the fleet rides the
same hills, so that its middle is one yardstick. The other is the vehicle itself: rider, load, home and hills stay what
they were, so that a step in its own history needs no fleet and tells when it began. Without either the maker's figure
is left. A heavy rider is no drag: where rides tell their own weight, by how they answer to changes of force, the
resistance is over that weight and not over the profile's. Wind from ahead is no drag either: it adds the more the
faster the vehicle goes, where a dragging brake adds the same at any speed (`_still_air.py`). A vehicle is told only
when three standard errors of all that is not known leave no sound one; how sure it is that it passes `excess` is its
confidence. It is judged only when its error is small.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import only_by
from herdbook.pipeline.health.change import LevelStep, upward_step
from herdbook.pipeline.health.reading import metric_rows, recent, reference, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._own_weight import over_own_weight, weighs, weight_of
from herdbook.pipeline.health.rules._still_air import blown, in_still_air, with_wind
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, mean
from herdbook.pipeline.metrics.shared.road_vehicle import road_vehicle
from herdbook.pipeline.vehicle.record import Metric

NAMES = ("ride_rolling", "travel_rolling")  # the better one first
UNSURE = "high, but not surely; more kilometres, out and back, are needed"
OTHER_BRAKE = "another brake than the motors held it, and how far down is not recorded"
LIKELY = 2.0  # errors that a level must rise by, before the rides since are looked at alone: engineering choice
MOST = 200  # newest rides: engineering choice


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    said: list[list[Finding] | NotAssessed] = []
    newest: datetime | None = None
    for name in NAMES:
        rows = metric_rows(record, name).drop_nulls("se").filter(pl.col("se") > 0)
        if rows.height:
            rows = over_own_weight(record, with_wind(record, rows.sort("start_t"), limits))
            # what the better figure says holds up to the last ride that gives it
            beyond = rows.height if newest is None else rows.filter(pl.col("start_t") > newest).height
            late = newest is not None and beyond >= limits["least_rides"]
            if late and said[-1] == []:
                said.pop()
            said.append(_judge(record, name, rows, not said or late, limits))
            newest = rows["start_t"].to_list()[-1]
    if not said:
        return NotAssessed("no ride with speed, motor current and the profile's figures for torque and mass")
    return _clearest(*said)


def _shared(name: str, rows: pl.DataFrame) -> float:
    """What all rides of this figure may have wrong alike: without the way that was braked it is whatever that way went
    down, which grows no smaller by more rides."""
    return 0.0 if name == NAMES[0] else mean(rows["unseen"])


def _clearest(*said: list[Finding] | NotAssessed) -> list[Finding] | NotAssessed:
    """The first finding; none where one yardstick could judge; else why the first could not."""
    judged = [one for one in said if not isinstance(one, NotAssessed)]
    return next((one for one in judged if one), judged[0] if judged else said[0])


def _judge(
    record: Record, name: str, rows: pl.DataFrame, alone: bool, limits: Mapping[str, float]
) -> list[Finding] | NotAssessed:
    """alone: no better figure is known of any ride, or of none of the newest."""
    rows = rows.tail(MOST)
    told = name == NAMES[0] or alone
    step = upward_step(rows["still"].to_numpy(), rows["still_se"].to_numpy()) if told else None
    if step is not None:
        after = rows.slice(step.first)
        # nothing rolls for nothing: what lies under that were hills and winds that the rides before had with them
        risen = step.after - max(step.before, limits["least"])
        step = replace(step, se=math.hypot(step.se, _shared(name, after)))
        if risen >= max(limits["own_sigmas"] * step.se, limits["excess"]):
            return [_since(rows, after, step, limits)]
        # what began lately is not hidden behind the rides before it
        if step.z >= LIKELY and after.height >= limits["least_rides"]:
            said = _by_others(record, name, recent(after, limits["days"]), limits)
            if said and not isinstance(said, NotAssessed):
                return said
    return _by_others(record, name, recent(rows, limits["days"]), limits)


def _by_others(
    record: Record, name: str, rows: pl.DataFrame, limits: Mapping[str, float]
) -> list[Finding] | NotAssessed:
    said = _against_fleet(record, name, rows, limits)
    if not isinstance(said, NotAssessed) or said.reason.endswith(UNSURE):  # the fleet is the better yardstick
        return said
    other = _against_maker(record, name, rows, limits)
    alone = reference(record, name) is None and not math.isnan(road_vehicle(record.profile).rolling)
    return other if alone else _clearest(said, other)


def _since(rows: pl.DataFrame, after: pl.DataFrame, step: LevelStep, limits: Mapping[str, float]) -> Finding:
    last: datetime = rows["start_t"].to_list()[step.first - 1]
    first: datetime = after["start_t"].to_list()[0]
    limit = max(step.before, limits["least"]) + limits["excess"]
    text = f"Since a day between {last:%Y-%m-%d} and {first:%Y-%m-%d} the vehicle rolls with "
    text += f"{spell(step.after, '', step.after_se)} of its weight as resistance over {after.height} rides, against "
    text += f"{spell(step.before, '')} in its own {step.first} rides before; grade is averaged, not observed; "
    told = rows["wind"].count()
    text += "winds that the rides tell are taken off." if told else "wind is in the error, not observed."
    return _finding(text, step.after, limit=limit, se=step.se, rows=after)


def _against_fleet(
    record: Record, name: str, rows: pl.DataFrame, limits: Mapping[str, float]
) -> list[Finding] | NotAssessed:
    known = reference(record, name)
    if known is None:
        return NotAssessed("no fleet reference for rolling resistance: fit one first")
    rolled = in_still_air(rows, limits)
    value = rolled.value
    held = _held_otherwise(record, name, rows)
    se = math.hypot(rolled.se, known.spread / math.sqrt(known.n), _shared(name, rows) if held else 0.0)
    # what healthy vehicles differ by and what these rides leave open are independent: their squares add
    spread = math.hypot(known.spread, se)
    limit = known.value + limits["excess"]
    if value < max(limit, known.value + limits["sigmas"] * spread):
        unsure = _open(value, se, usual=known.value, limits=limits)
        return NotAssessed(f"{unsure.reason}; {OTHER_BRAKE}") if unsure and held else unsure or []
    text = f"Over {counted(rows.height, 'ride')} the vehicle rolled with {spell(value, '', se)} of its weight as "
    text += f"resistance, against {spell(known.value, '', known.spread)} in the fleet, vehicle by vehicle; grade is "
    text += "averaged, not observed"
    kg = weight_of(rows)
    text += blown(rolled, rows) + ("." if kg is None else f"; {weighs(kg)}.")
    return [_finding(text, value, limit=limit, se=spread, rows=rows)]


def _held_otherwise(record: Record, name: str, rows: pl.DataFrame) -> bool:
    """Another brake held this vehicle, in most of its rides, where in the fleet the motors alone do: what it was held
    down is then not what the others were, and does not drop out beside them."""
    if name == NAMES[0] or reference(record, NAMES[0]) is None:
        return False
    alone = metric_rows(record, NAMES[0])["start_t"]
    return 2 * rows.filter(pl.col("start_t").is_in(alone.implode())).height < rows.height


def _against_maker(
    record: Record, name: str, rows: pl.DataFrame, limits: Mapping[str, float]
) -> list[Finding] | NotAssessed:
    """The maker's figure, or the fleet's where that is higher: few vehicles tell a middle sooner than how far they lie
    apart. Travel without a brake looks up the hills that are braked down, by what rides tell in which both are known.
    What one vehicle's rides share does not average out: its rider's weight where the rides do not tell it, a wind that
    does not turn with the road, what belt and iron lose."""
    car = road_vehicle(record.profile)
    if math.isnan(car.rolling) or not car.known:
        return NotAssessed("the profile does not say how hard such a vehicle rolls")
    known = reference(record, name)
    usual = car.rolling if known is None else max(car.rolling, known.value)
    uphill, shared = 0.0, 0.0
    if name != NAMES[0] and known is None:
        both = rows.join(metric_rows(record, NAMES[0]).select("start_t", whole="value"), on="start_t")
        if both.height >= limits["least_rides"]:
            uphill = mean(both["value"] - both["whole"])
        else:
            shared = _shared(name, rows)
    rolled = in_still_air(rows.with_columns(value=pl.col("value") - max(uphill, 0.0)), limits)
    value = rolled.value
    kg = weight_of(rows)
    load = limits["load"] * usual if kg is None else 0.0  # else it is in each ride's own error
    spread = math.hypot(rolled.se, load, limits["losses"], shared)
    limit = usual + limits["excess"]
    if value < max(limit, usual + limits["sigmas"] * spread):
        return _open(value, spread, usual=usual, limits=limits) or []
    text = f"Over {counted(rows.height, 'ride')} the vehicle rolled with {spell(value, '', spread)} of its weight as "
    text += f"resistance, against {spell(usual, '')} by its {'maker' if known is None else 'maker or fleet'}; "
    text += "load is in the error, not observed" if kg is None else weighs(kg)
    text += f"{blown(rolled, rows)}."
    return [_finding(text, value, limit=limit, se=spread, rows=rows)]


def _open(value: float, se: float, usual: float, limits: Mapping[str, float]) -> NotAssessed | None:
    """Why nothing found does not mean sound: it is known too badly, or lies past `excess` without being sure."""
    if se > limits["largest_se"]:
        return NotAssessed(f"rolling resistance known only to ±{se:.3f}; more kilometres, out and back, are needed")
    if value < usual + limits["excess"]:
        return None
    return NotAssessed(
        f"it rolls with {spell(value, '', se)} of its weight as resistance, {spell(usual, '')} is usual: {UNSURE}"
    )


def _finding(text: str, value: float, limit: float, se: float, rows: pl.DataFrame) -> Finding:
    """limit: what how sure it is is held against. That it is told at all asks for more."""
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
    from herdbook.pipeline.health.examples import ExampleSession, days, fleet, profile, record
    from herdbook.pipeline.vehicle.profile import Profile

    def case(value: float, rides: int = 12, se: float = 0.012, fitted: bool = True) -> Record:
        known = fleet(("travel_rolling", 0.02, 0.002, "1")) if fitted else None
        return record(*days(rides, "ride", Metric("travel_rolling", value, "1", se, 400)), reference=known)

    def heavy(value: float, kg: float) -> Record:
        """Rides that tell their own weight, of a vehicle of 95 kg by its profile."""
        parts = [Metric(name, value, "1", 0.004, 400) for name in NAMES]
        parts.append(Metric("ride_mass_kg", kg, "kg", 3.0, 20))
        return replace(record(*days(12, "ride", *parts)), profile=known())

    def windy(value: float, wind_ms: float) -> Record:
        """Rides at some 6 m/s that tell their weight, and a wind that always comes from where it did."""
        parts = [Metric(name, value, "1", 0.0075, 400) for name in NAMES]
        parts += [Metric("ride_mass_kg", 97.0, "kg", 3.0, 20), Metric("ride_rolling_per_wind", 0.0045, "1")]
        parts.append(Metric("ride_head_wind", wind_ms, "m/s", 1.5, 300))
        return replace(record(*days(12, "ride", *parts)), profile=known())

    def held_otherwise(value: float) -> Record:
        """Beside a fleet whose motors alone brake."""
        known = fleet(("travel_rolling", 0.02, 0.002, "1"), ("ride_rolling", 0.02, 0.002, "1"))
        return record(*days(6, "ride", Metric("travel_rolling", value, "1", 0.0095, 300)), reference=known)

    def braked_unseen(*values: float, made: bool = False) -> Record:
        """What the electric brake was asked is not recorded, so that only the way without brake is known."""
        held = record(*(s for k, v in enumerate(values) for s in case_ride(v, k)))
        return replace(held, profile=known()) if made else held

    def case_ride(value: float, day: int) -> list[ExampleSession]:
        return days(1, "ride", Metric("travel_rolling", value, "1", 0.007, 300), first=day)

    def known() -> Profile:
        drive: dict[str, object] = {"torque_nm_per_a": 0.07, "motors": 2}
        figures: dict[str, object] = {"mass_kg": 95.0, "drag_area_m2": 0.6, "rolling": 0.014}
        return replace(profile(drive=drive), vehicle=figures)

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
            braked_unseen(*[0.02] * 3, *[0.1] * 6),
            braked_unseen(*[0.1] * 6, made=True),
            history(*[0.05] * 6, fitted=True),
            history(*[0.03] * 4, *[0.055] * 6),  # no fleet is needed
            history(*[0.015] * 6, *[0.033] * 6, fitted=True),  # by its own rides before the fleet can tell
            heavy(0.045, 97.0),
            windy(0.042, 0.0),
            held_otherwise(0.06),
        ),
        quiet_on=(
            case(0.022),
            case(0.028, rides=30),
            history(*[0.02] * 12, fitted=True),
            windy(0.030, 3.0),
            windy(0.010, -2.0),
            heavy(0.034, 152.0),  # a rider of 130 kg, whose tyres take as much of the weight as any
            history(*[0.015] * 6, *[0.022] * 6, fitted=True),  # a step too small to look for its cause
            history(*[0.02] * 6, *[0.04] * 2, se=0.015, fitted=True),  # two hilly rides
            history(*[-0.006] * 2, *[0.0155] * 6, fitted=True),  # the rides before went downhill
        ),
        unassessed_on=(
            case(0.045, fitted=False),
            case(0.045, rides=1),
            case(0.033, rides=8),  # high, and not surely: neither a finding nor sound
            history(*[0.02] * 12),
            held_otherwise(0.034),
            windy(0.042, 3.0),  # whether something drags beside the wind is not sure
            braked_unseen(*[0.02] * 3, *[0.036] * 6),  # another way to work, with other hills
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
        Limit(
            "least",
            0.008,
            "1",
            "of the weight: the best of tyres on a smooth road, from memory; made a floor after a sound vehicle of an "
            "outside simulation, whose first rides went downhill, had been told",
        ),
        Limit("least_rides", 3, "rides", "since a likely change, held against the fleet: engineering choice"),
        Limit("largest_se", 0.008, "1", "engineering choice"),
        Limit("load", 0.25, "1", "of the maker's mass, by rider and load, where rides do not tell: engineering choice"),
        Limit(
            "wind",
            2.4,
            "m/s",
            "of wind along the way of a ride, before the ride tells its own: one component of winds of 3 m/s in "
            "the mean at a rider's height (Rayleigh): a light breeze, from memory; chosen while simulated vehicles "
            "were judged of which wind had been told as drag",
        ),
        Limit(
            "prevailing",
            0.5,
            "share",
            "of its square that may be the same in every ride, where ways out are logged and ways back are not: "
            "engineering choice",
        ),
        Limit("drag_area", 0.15, "share", "by which a rider who sits up or ducks changes it: engineering choice"),
        Limit("speed", 5.0, "m/s", "of rides that do not tell what a wind adds: engineering choice"),
        Limit("losses", 0.003, "1", "of belt and iron beyond the model: engineering choice"),
        Limit("days", 45.0, "days", "it takes many kilometres: engineering choice"),
    ),
    judge=judge,
    meaning="Range is lost and something is warm that should not be: a dragging brake or bearing wears and heats.",
    causes=(
        Cause(
            "Brake dragging", only_by("each wheel lifted and turned by hand, and the warmth of the brakes after a ride")
        ),
        Cause("Bearing worn", only_by("each wheel spun freely, belt off, listened to and timed until it stands")),
        Cause("Belt too tight", only_by("the belt's tension against the maker's figure")),
        Cause("Tyre pressure low", only_by("a pressure gauge")),
        Cause("Heavier load than usual", only_by("the weight of vehicle, rider and load")),
    ),
    bench=(
        "Lift each wheel and turn it by hand",
        "Feel hubs and brakes after a ride, carefully: they may be hot",
        "Check tyre pressure and belt tension",
    ),
    cautions=("A dragging brake can get hot enough to fade or burn: let it cool before touching it.",),
    source="force balance with the profile's figures; the fleet's middle and its own earlier rides as yardsticks",
    version=13,  # rides that do not tell their weight over the middle of those that do; a step after the last full ride
    habit="some ten kilometres of rides, out and back, and give the profile the figure [vehicle] rolling",
    cases=_cases,
)
