"""Vehicles of the campaign: half of them sound but varied, the rest with faults of graded size.

Everything comes from the seed. Physics is spread beyond what one maker would build, sensors are noisy or sampled
slowly, and some buses lack roles: whoever judges these vehicles must say "not assessed", never a wrong word.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from demo_logs.causes import CAUSES
from demo_logs.simulator import Fault, Logger, Outing, Vehicle
from demo_logs.simulator.faults import KINDS
from herdbook.pipeline.vehicle.profile import Profile

T0 = 1_772_323_200_000_000  # 2026-03-01, 00:00 UTC
HOUR, DAY = 3_600_000_000, 86_400_000_000
BUILT_OVER_RATED = 1.02  # a new pack of this maker holds a little more than its rating
AGED = 0.85  # of rated capacity: to say of a pack below it that it holds little is true, fault or not
RIDE_MIN, CHARGE_MIN, REST_MIN = 6.0, 100.0, 90.0
# (day, kind): eight weeks of one vehicle as its logs show them
CALENDAR = (
    (0, "charge"),
    (1, "ride"),
    (7, "charge"),
    (8, "ride"),
    (14, "charge"),
    (14, "rest"),
    (15, "ride"),
    (21, "charge"),
    (22, "ride"),
    (28, "charge"),
    (29, "ride"),
    (35, "charge"),
    (36, "ride"),
    (42, "charge"),
    (42, "rest"),
    (43, "ride"),
    (49, "charge"),
    (50, "ride"),
    (56, "charge"),
)
SHORT = (  # three weeks of another, so that many vehicles are quick
    (0, "charge"),
    (1, "ride"),
    (4, "charge"),
    (5, "ride"),
    (8, "charge"),
    (8, "rest"),
    (9, "ride"),
    (12, "charge"),
    (13, "ride"),
    (16, "charge"),
    (16, "rest"),
    (17, "ride"),
    (20, "charge"),
    (21, "ride"),
)
SIZES: dict[str, tuple[float, ...]] = {  # small, serviceable, large; in the units of KINDS
    "weak_group": (1.3, 1.6, 2.5),
    "imbalance": (1.5, 3.5, 6.0),
    "leaking_group": (1.5, 4.0, 8.0),
    "loose_sense_wire": (20, 45, 90),
    "low_capacity": (5, 12, 20),
    "balancer_stuck": (1,),
    "worn_pack": (12, 28, 38),
    "current_offset": (0.5, 1.5, 3.0),
    "hot_for_load": (5, 12, 25),
    "rising_without_load": (8, 30, 45),
    "temp_open": (1,),
    "temp_short": (1,),
    "temp_frozen": (1,),
    "temp_offset": (4, 9, 15),
    "winding_hot": (1.6, 2.6, 4.0),
    "charger_stops_early": (80, 88),
    "regen_refused_unexplained": (0.3, 0.6, 1.0),
    "regen_weak": (0.15, 0.35, 0.6),
    "regen_late": (150, 350, 700),
    "regen_one_sided": (0.2, 0.5, 1.0),
    "regen_dropout": (0.2, 0.5, 0.9),
    "regen_overvoltage": (6, 15, 22),
    "torque_after_release": (400, 1000, 2000),
    "belt_slip": (3, 7, 15),
    "encoder_dropout": (10, 30, 90),
    "link_loss": (10, 30, 90),
    "controller_resets": (3, 8, 20),
    "rolling_drag": (1.6, 2.8, 4.0),
    "open_sense_wire": (1,),
    "contactor_opens": (4, 12, 40),
    "pack_voltage_gain": (0.6, 2.0, 4.0),
    "soc_count": (8, 18, 30),
    "parked_empty": (8, 25, 40),
}
LEFT_OUT = (
    frozenset({"cell_temp", "bms_temp"}),
    frozenset({"cell_voltage"}),
    frozenset({"vehicle_speed"}),
    frozenset({"regen_allowed", "charge_limit"}),
    frozenset({"ambient_temp"}),
    frozenset({"cell_bleed"}),
)
HARMLESS_SHARE = (("heavy_use", 0.12), ("full_pack", 0.12), ("cold_pack", 0.12), ("slow_rider", 0.08))


@dataclass(frozen=True, slots=True)
class Wish:
    """Which vehicles are wanted. faults: only these kinds, then no vehicle is sound (empty: all kinds, half of
    the vehicles sound). acting: only sizes to act at. double: two faults of different kinds. short: three weeks
    instead of eight."""

    faults: tuple[str, ...] = ()
    acting: bool = False
    double: bool = False
    short: bool = False


@dataclass(frozen=True, slots=True)
class Drawn:
    """A vehicle of the campaign, its outings, and the logger that saw them. stratum: what kind of vehicle.
    named: sizes of its faults before they were fitted to the vehicle. far: physics far out; left: roles missing."""

    vehicle: Vehicle
    outings: tuple[Outing, ...]
    logger: Logger
    stratum: str
    named: tuple[float, ...] = ()
    poor_data: bool = False
    far: bool = False
    left: bool = False


EVERYTHING = Wish()


def draw(seed: int, count: int, profiles: Sequence[Profile], wish: Wish = EVERYTHING) -> list[Drawn]:
    """`count` vehicles: even numbers sound, odd ones with a fault, or with two of different kinds (double); only
    faulty ones where kinds are wished for. Two of three are of the first profile."""
    kinds = [
        (name, size)
        for size_at in range(3)
        for name, sizes in SIZES.items()
        for size in sizes[size_at:][:1]
        if (not wish.faults or name in wish.faults) and (not wish.acting or size >= CAUSES[name].acts_at)
    ]
    out = []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        profile = profiles[0] if number % 6 < 4 else profiles[-1]
        turn = number if wish.faults else number // 2
        wanted = []
        if wish.faults or number % 2:
            wanted = [kinds[turn % len(kinds)]]
            if wish.double:
                others = [k for k in kinds if k[0] != wanted[0][0]]
                wanted.append(others[int(rng.integers(len(others)))])
        out.append(_one(seed, number, profile, wanted, wish.short, rng))
    return out


def _one(
    seed: int, number: int, profile: Profile, wanted: list[tuple[str, float]], short: bool, rng: np.random.Generator
) -> Drawn:
    name = f"{'ZB' if profile.name == 'zirbel' else 'SM'}-{number:04d}"
    faults = tuple(_fault(profile, kind, size, 1.0 if not short else 0.4, rng) for kind, size in wanted)
    harmless, stratum = "", "faulty" if faults else "sound"
    if not faults:
        luck, edge = rng.random(), 0.0
        for kind, share in HARMLESS_SHARE:
            if edge <= luck < edge + share:
                harmless = stratum = kind
            edge += share
    spread = rng.random()
    far = spread < 0.25
    resistance = float(np.exp(rng.uniform(np.log(0.5), np.log(2.0)))) if far else float(rng.uniform(0.8, 1.3))
    logger, left = _logger(rng, far)
    poor = "poor_logger" if logger.thin or logger.drop or logger.bursts_per_h else ""
    worn = any(f.name == "worn_pack" for f in faults)
    capacity = 1.0 if worn else float(rng.uniform(0.60, 1.10) if far else rng.uniform(0.82, 1.08))
    aged = "aged_pack" if capacity * BUILT_OVER_RATED < AGED else ""
    words = tuple(h for h in (harmless, poor, aged) if h)
    vehicle = Vehicle(
        name,
        profile,
        seed * 100_000 + number,
        faults,
        words,
        resistance,
        capacity,
        noise=3.0 if far and rng.random() < 0.4 else float(rng.uniform(0.7, 1.4)),
        rider=1.0 if harmless == "heavy_use" else float(rng.uniform(0.1, 0.9)),
        load_kg=float(rng.uniform(0.3, 0.6)) * 98.0 if harmless == "heavy_use" else float(rng.uniform(-15, 20)),
        charge_spread_pct=float(rng.uniform(0.01, 0.06)),
        serial=number + 1,
        pack_serial=10_000 + number,
        controller_serial=20_000 + number,
        odometer_km=float(rng.uniform(20, 2500)),
    )
    if stratum == "sound" and (far or left):
        stratum = "roles left out" if left else "sound, far out"
    outings = _outings(harmless, short, [f for f in faults if f.name == "parked_empty"], rng)
    for parked in (o for o in outings if o.style == "parked"):
        faults = tuple(replace(f, onset=parked.start) if f.name == "parked_empty" else f for f in faults)
        vehicle = replace(vehicle, faults=faults)
    sizes = tuple(float(size) for _, size in wanted)
    return Drawn(vehicle, outings, logger, stratum, sizes, left or bool(logger.thin), far, left)


def _fault(profile: Profile, name: str, size: float, early: float, rng: np.random.Generator) -> Fault:
    belongs = KINDS[name][0]
    items: dict[str, list[int | str]] = {
        "": [""],
        "cell": list(range(2, int(profile.pack_figures.groups))),
        "sensor": list(range(1, int(profile.pack_figures.sensors or 1) + 1)),
        "side": ["left", "right"],
    }
    item = items[belongs][int(rng.integers(len(items[belongs])))]
    if name == "leaking_group":
        size *= profile.pack_figures.rated_ah / 30.0
    if name in ("hot_for_load", "rising_without_load"):  # the same heat for a pack of another size
        size *= profile.pack_figures.heat_capacity_j_per_k / 8600.0 / (2.0 if name == "hot_for_load" else 1.0)
    grows = 14.0 if name in ("weak_group", "low_capacity", "rolling_drag") and rng.random() < 0.4 else 0.0
    return Fault(name, float(size), T0 + int(early * rng.uniform(2, 20) * DAY), item, grows * early)


def _logger(rng: np.random.Generator, far: bool) -> tuple[Logger, bool]:
    """(logger, True when roles are missing)."""
    luck = rng.random()
    if far and luck < 0.3:
        return Logger(thin={"": 5}), False
    if 0.3 <= luck < 0.4:
        return Logger(without=LEFT_OUT[int(rng.integers(len(LEFT_OUT)))]), True
    return Logger(drop=0.002 if luck > 0.8 else 0.0, bursts_per_h=6.0 if luck > 0.9 else 0.0), False


def _calendar(short: bool, parked: Sequence[Fault]) -> list[tuple[int, str]]:
    """(day, kind) of every outing. A vehicle that is left to stand rests for the last time a day later and nearly
    empty; then not a trace of it for so many days."""
    usual: list[tuple[int, str]] = list(SHORT if short else CALENDAR)
    if not parked:
        return usual
    at = max(i for i, (_, kind) in enumerate(usual) if kind == "rest")
    later = [(day + round(parked[0].size), kind) for day, kind in usual[at + 1 :]]
    return [*usual[:at], (usual[at][0] + 1, "parked"), *later]


def _outings(harmless: str, short: bool, parked: Sequence[Fault], rng: np.random.Generator) -> tuple[Outing, ...]:
    season = rng.uniform(6.0, 26.0)
    out, end = [], 0
    for day, kind in _calendar(short, parked):
        air = season + rng.normal(0.0, 3.0)
        start = max(T0 + day * DAY + int(rng.uniform(6, 12) * HOUR), end + int(0.1 * HOUR))
        if kind == "ride":
            style, soc = "town", float(rng.uniform(45, 92))
            if harmless == "full_pack":
                style, soc = "down", 99.8
            if harmless == "cold_pack":
                air = float(rng.uniform(-8.0, 2.0))
            if harmless == "slow_rider":
                style = "slow"
            out.append(Outing("ride", start, RIDE_MIN, air, style, soc))
        elif kind == "charge":
            out.append(Outing("charge", start, CHARGE_MIN, max(air, 12.0), "town", float(rng.uniform(4, 9))))
        elif kind == "parked":
            out.append(Outing("rest", start, REST_MIN, max(air, 12.0), "parked", float(rng.uniform(3, 5))))
        else:
            out.append(Outing("rest", start, REST_MIN, max(air, 12.0)))
        end = start + int(out[-1].minutes * 60e6)
    return tuple(out)
