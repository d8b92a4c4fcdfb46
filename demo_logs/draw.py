"""Vehicles of the campaign: half of them sound but varied, the rest with faults of graded size.

Everything comes from the seed. Physics is spread beyond what one maker would build, sensors are noisy or sampled
slowly, and some buses lack roles: whoever judges these vehicles must say "not assessed", never a wrong word.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from demo_logs.simulator import Fault, Logger, Outing, Vehicle
from demo_logs.simulator.faults import KINDS
from pipeline.profile import Profile

T0 = 1_772_323_200_000_000  # 2026-03-01, 00:00 UTC
HOUR, DAY = 3_600_000_000, 86_400_000_000
RIDE_MIN, CHARGE_MIN, REST_MIN = 6.0, 100.0, 90.0
# (day, kind): eight weeks of one vehicle as its logs show them
CALENDAR = (
    (0, "charge"), (1, "ride"), (7, "charge"), (8, "ride"), (14, "charge"), (14, "rest"), (15, "ride"), (21, "charge"),
    (22, "ride"), (28, "charge"), (29, "ride"), (35, "charge"), (36, "ride"), (42, "charge"), (42, "rest"),
    (43, "ride"), (49, "charge"), (50, "ride"), (56, "charge"),
)  # fmt: skip
SIZES: dict[str, tuple[float, ...]] = {  # small, serviceable, large; in the units of KINDS
    "weak_group": (1.3, 1.6, 2.5), "imbalance": (1.5, 3.5, 6.0), "leaking_group": (1.5, 4.0, 8.0),
    "loose_sense_wire": (20, 45, 90), "low_capacity": (5, 12, 20), "balancer_stuck": (1,), "worn_pack": (12, 28, 38),
    "current_offset": (0.5, 1.5, 3.0), "hot_for_load": (5, 12, 25), "rising_without_load": (8, 30, 45),
    "temp_open": (1,), "temp_short": (1,), "temp_frozen": (1,), "temp_offset": (4, 9, 15),
    "winding_hot": (1.6, 2.6, 4.0), "charger_stops_early": (80, 88), "regen_refused_unexplained": (0.3, 0.6, 1.0),
    "regen_weak": (0.15, 0.35, 0.6), "regen_late": (150, 350, 700), "regen_one_sided": (0.2, 0.5, 1.0),
    "regen_dropout": (0.2, 0.5, 0.9), "regen_overvoltage": (6, 15, 22), "torque_after_release": (400, 1000, 2000),
    "belt_slip": (3, 7, 15), "encoder_dropout": (10, 30, 90), "link_loss": (10, 30, 90),
    "controller_resets": (3, 8, 20), "rolling_drag": (1.6, 2.8, 4.0),
}  # fmt: skip
LEFT_OUT = (
    frozenset({"cell_temp", "bms_temp"}), frozenset({"cell_voltage"}), frozenset({"vehicle_speed"}),
    frozenset({"regen_allowed", "charge_limit"}), frozenset({"ambient_temp"}), frozenset({"cell_bleed"}),
)  # fmt: skip
HARMLESS_SHARE = (("heavy_use", 0.12), ("full_pack", 0.12), ("cold_pack", 0.12), ("slow_rider", 0.08))


@dataclass(frozen=True, slots=True)
class Drawn:
    """A vehicle of the campaign, its outings, and the logger that saw them. stratum: what kind of vehicle.
    named: sizes of its faults before they were fitted to the vehicle."""

    vehicle: Vehicle
    outings: tuple[Outing, ...]
    logger: Logger
    stratum: str
    named: tuple[float, ...] = ()
    poor_data: bool = False


def draw(seed: int, count: int, profiles: Sequence[Profile], double: bool = False) -> list[Drawn]:
    """`count` vehicles: even numbers sound, odd ones with a fault, or with two of different kinds (double); two of
    three are of the first profile."""
    kinds = [(name, size) for size_at in range(3) for name, sizes in SIZES.items() for size in sizes[size_at:][:1]]
    out = []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        profile = profiles[0] if number % 6 < 4 else profiles[-1]
        first, second = (number // 2) % len(kinds), (number // 2 + 31) % len(kinds)
        wanted = [kinds[first], *([kinds[second]] if double else [])] if number % 2 else []
        out.append(_one(seed, number, profile, wanted, rng))
    return out


def _one(seed: int, number: int, profile: Profile, wanted: list[tuple[str, float]], rng: np.random.Generator) -> Drawn:
    name = f"{'ZB' if profile.name == 'zirbel' else 'SM'}-{number:04d}"
    faults = tuple(_fault(profile, kind, size, rng) for kind, size in wanted)
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
    worn = [f.size for f in faults if f.name == "worn_pack"]
    capacity = 1.0 if worn else float(rng.uniform(0.88, 1.08))
    vehicle = Vehicle(
        name, profile, seed * 100_000 + number, faults, tuple(h for h in (harmless, poor) if h), resistance, capacity,
        noise=3.0 if far and rng.random() < 0.4 else float(rng.uniform(0.7, 1.4)),
        rider=1.0 if harmless == "heavy_use" else float(rng.uniform(0.1, 0.9)),
        load_kg=float(rng.uniform(0.3, 0.6)) * 98.0 if harmless == "heavy_use" else float(rng.uniform(-15, 20)),
        charge_spread_pct=float(rng.uniform(0.01, 0.06)), serial=number + 1, pack_serial=10_000 + number,
        controller_serial=20_000 + number, odometer_km=float(rng.uniform(20, 2500)),
    )  # fmt: skip
    if stratum == "sound" and (far or left):
        stratum = "roles left out" if left else "sound, far out"
    return Drawn(
        vehicle,
        _outings(harmless, rng),
        logger,
        stratum,
        tuple(float(size) for _, size in wanted),
        left or bool(logger.thin),
    )


def _fault(profile: Profile, name: str, size: float, rng: np.random.Generator) -> Fault:
    belongs = KINDS[name][0]
    items: dict[str, list[int | str]] = {
        "": [""],
        "cell": list(range(2, int(profile.figure("pack", "cells")))),
        "sensor": list(range(1, int(profile.figure("pack", "sensors")) + 1)),
        "side": ["left", "right"],
    }
    item = items[belongs][int(rng.integers(len(items[belongs])))]
    if name == "leaking_group":
        size *= profile.figure("pack", "rated_ah") / 30.0
    if name in ("hot_for_load", "rising_without_load"):  # the same heat for a pack of another size
        size *= profile.figure("pack", "heat_capacity_j_per_k") / 8600.0 / (2.0 if name == "hot_for_load" else 1.0)
    grows = 14.0 if name in ("weak_group", "low_capacity", "rolling_drag") and rng.random() < 0.4 else 0.0
    return Fault(name, float(size), T0 + int(rng.uniform(2, 20) * DAY), item, grows)


def _logger(rng: np.random.Generator, far: bool) -> tuple[Logger, bool]:
    """(logger, True when roles are missing)."""
    luck = rng.random()
    if far and luck < 0.3:
        return Logger(thin={"": 5}), False
    if 0.3 <= luck < 0.4:
        return Logger(without=LEFT_OUT[int(rng.integers(len(LEFT_OUT)))]), True
    return Logger(drop=0.002 if luck > 0.8 else 0.0, bursts_per_h=6.0 if luck > 0.9 else 0.0), False


def _outings(harmless: str, rng: np.random.Generator) -> tuple[Outing, ...]:
    season = rng.uniform(6.0, 26.0)
    out, end = [], 0
    for day, kind in CALENDAR:
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
        else:
            out.append(Outing("rest", start, REST_MIN, max(air, 12.0)))
        end = start + int(out[-1].minutes * 60e6)
    return tuple(out)
