"""Rides over hills with riders whose weight nobody knows and wind from ahead or behind, and their rolling resistance.

The street's grade is a walk that is drawn back, as in demo_logs/makers, with hills of 100 m to 1 km.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import resistance
from herdbook.pipeline.metrics.resistance import WIND_MS
from herdbook.pipeline.science.head_wind import Usual, blowing_here, still_air
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Key, Series, Signals
from tests.coverage.case import Case, Draw, Rng

START = 1_772_352_000_000_000
STEP_S = 0.1
GRAVITY, AIR, BELT, TURNING = 9.80665, 1.2, 0.97, 1.03
USUAL = Usual(own_ms=1.7, shared_ms=1.7)
NEWTON_PER_A, MASS_KG, AREA_M2 = 7.0, 105.0, 0.6  # as the profile says


def _street(rng: Rng, metres: float, length_m: tuple[float, float], hills: float) -> tuple[np.ndarray, np.ndarray]:
    at = np.concatenate([[0.0], np.cumsum(rng.uniform(*length_m, int(metres / length_m[0]) + 2))])
    grade, height = np.zeros(at.size), 0.0
    for k in range(at.size):
        grade[k] = np.clip(rng.normal(-0.0015 * height, hills), -0.12, 0.12)
        height += grade[k] * (at[min(k + 1, at.size - 1)] - at[k])
    return at, grade


@dataclass(frozen=True, slots=True)
class Vehicle:
    """rolling: of the weight that the profile names; shared_ms: wind from ahead in all its rides."""

    mass: float
    rolling: float
    hills: float
    shared_ms: float = 0.0


def _vehicle(rng: Rng, mass_share: float) -> Vehicle:
    mass = MASS_KG * (1.0 + rng.normal(0.0, mass_share))
    return Vehicle(mass, rng.uniform(0.009, 0.022) * mass / MASS_KG, rng.uniform(0.01, 0.04))


def _ride(rng: Rng, length_m: tuple[float, float], wind_ms: float, vehicle: Vehicle) -> tuple[Signals, float]:
    """Signals, and the wind that blew from ahead [m/s]."""
    n = int(rng.uniform(6, 16) * 60 / STEP_S)
    mass, hills = vehicle.mass, vehicle.hills
    rolling = vehicle.rolling * MASS_KG / mass
    wind = vehicle.shared_ms + rng.normal(0.0, wind_ms)
    at, grade = _street(rng, n * STEP_S * 11.0, length_m, hills)
    speed, place, amps = np.zeros(n), 0.0, np.zeros(n)
    v, goal, left = 0.0, 0.0, 0
    for k in range(n):
        if left <= 0:
            goal, left = rng.uniform(3.5, 9.0), int(rng.uniform(8, 40) / STEP_S)
        left -= 1
        slope = np.interp(place, at, grade)
        drag = mass * GRAVITY * (rolling + slope) + 0.5 * AIR * AREA_M2 * (v + wind) * abs(v + wind)
        force = float(np.clip(mass * 0.7 * (goal - v) + drag, -250.0, 420.0))
        force = 0.0 if abs(force) < 8.0 else force
        amps[k] = force / BELT / NEWTON_PER_A if force > 0 else force * BELT / NEWTON_PER_A
        v = max(0.0, v + (force - drag) / (mass * TURNING) * STEP_S)
        place += v * STEP_S
        speed[k] = v
    t = START + np.arange(n) * 100_000
    data: dict[Key, Series] = {
        ("vehicle_speed", ""): Series(t, speed + rng.normal(0, 0.015, n)),
        ("brake_demand", ""): Series(t, np.zeros(n)),
    }
    for side in ("left", "right"):
        data["motor_current", side] = Series(t, np.round((0.5 * amps + rng.normal(0, 0.25, n)) / 0.1) * 0.1)
    return Signals("x", START, START + n * 100_000, data), wind


PROFILE = replace(
    profile(drive={"torque_nm_per_a": 0.35, "gear": 2.0, "wheel_m": 0.2}),
    vehicle={"zone": "UTC", "mass_kg": MASS_KG, "rolling": 0.014, "drag_area_m2": AREA_M2},
)


def _measured(signals: Signals) -> dict[str, Metric]:
    found = resistance.SET.compute(Session("x", "ride", signals.start, signals.end), signals, PROFILE).metrics
    return {m.name: m for m in found}


def _once(rng: Rng, length_m: tuple[float, float], mass_share: float, name: str = "travel_rolling") -> list[Draw]:
    vehicle = _vehicle(rng, mass_share)
    signals, wind = _ride(rng, length_m, WIND_MS, vehicle)
    found = _measured(signals).get(name)
    truth = {"travel_rolling": vehicle.rolling, "ride_mass_kg": vehicle.mass, "ride_head_wind": wind}[name]
    return [] if found is None else [(found.value, found.se or 0.0, truth)]


def _over_rides(rng: Rng, length_m: tuple[float, float], rides: int) -> list[Draw]:
    """Of one vehicle, in still air, with a wind that all its rides have from ahead or behind, and one of each's own."""
    each_ms = USUAL.own_ms
    vehicle = replace(_vehicle(rng, 0.0), shared_ms=rng.normal(0.0, USUAL.shared_ms))
    found = [_measured(_ride(rng, length_m, each_ms, vehicle)[0]) for _ in range(rides)]
    gain = np.array([m["ride_rolling_per_wind"].value for m in found])
    rolled = [m["travel_rolling"] for m in found]
    told = [m.get("ride_head_wind") for m in found]
    winds = np.array([np.nan if m is None else m.value for m in told])
    wind_ses = np.array([np.nan if m is None else m.se for m in told])
    still = still_air(
        values=np.array([m.value for m in rolled]),
        errors=np.sqrt([max((m.se or 0.0) ** 2 - w**2, 1e-8) for m, w in zip(rolled, WIND_MS * gain, strict=True)]),
        gains=gain,
        square=AIR * AREA_M2 / (MASS_KG * GRAVITY),
        winds=winds,
        wind_ses=wind_ses,
        usual=blowing_here(USUAL, winds, wind_ses),
    )
    return [(still.value, still.se, vehicle.rolling)]


def _by_what_rides_tell(rng: Rng, rides: int, blows: tuple[float, float]) -> list[Draw]:
    """As above, with what each ride tells drawn by its stated error, one in five telling no wind, each of its own
    weight. blows: of usual winds, what those of the place are, from sheltered to open."""
    place, rolling = rng.uniform(*blows), rng.uniform(0.009, 0.03)
    wind = place * (rng.normal(0.0, USUAL.shared_ms) + rng.normal(0.0, USUAL.own_ms, rides))
    square = rng.uniform(0.0004, 0.001, rides)
    gain, error, told_se = (
        square * rng.uniform(3.0, 8.0, rides),
        rng.uniform(0.002, 0.008, rides),
        rng.uniform(0.6, 3.0),
    )
    told = np.where(rng.random(rides) < 0.2, np.nan, wind + rng.normal(0.0, told_se, rides))
    ses = np.where(np.isnan(told), np.nan, told_se)
    met = rolling + gain * wind + 0.5 * square * wind**2 + rng.normal(0.0, 1.0, rides) * error
    still = still_air(met, error, gain, square, told, ses, blowing_here(USUAL, told, ses))
    return [(still.value, still.se, rolling)]


# the wind is always drawn: that it may blow is in every stated error, and what is stated holds over winds
WORLDS = {
    "short hills, known weight": ((60.0, 200.0), 0.0),
    "long hills, known weight": ((250.0, 1000.0), 0.0),
    "short hills, any rider": ((60.0, 200.0), 0.2),
    "long hills, any rider": ((250.0, 1000.0), 0.2),
}
CASES = [
    Case(
        "rolling resistance of a ride",
        world,
        partial(_once, length_m=length_m, mass_share=mass_share),
        quick=world == "long hills, any rider",
    )
    for world, (length_m, mass_share) in WORLDS.items()
]
CASES += [
    Case(
        estimator,
        world,
        partial(_once, length_m=length_m, mass_share=mass_share, name=name),
        quick=world == "long hills, any rider",
    )
    for estimator, name in (("weight of a ride", "ride_mass_kg"), ("wind of a ride", "ride_head_wind"))
    for world, (length_m, mass_share) in WORLDS.items()
    if mass_share
]
CASES += [
    Case(
        "rolling resistance in still air",
        f"{rides} rides, long hills",
        partial(_over_rides, length_m=(250.0, 1000.0), rides=rides),
        quick=rides == 1,
    )
    for rides in (1, 6)
]
CASES += [
    Case(
        "rolling resistance by what rides tell",
        f"{rides} rides, {words}",
        partial(_by_what_rides_tell, rides=rides, blows=blows),
        cheap=True,
        quick=rides == 3,
    )
    for rides in (3, 12)
    for words, blows in (("a sheltered place", (0.3, 0.6)), ("any place", (0.4, 1.6)))
]
