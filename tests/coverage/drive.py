"""Motors and power stages that warm by their currents, a brake shared by two motors, a belt that slips at hard pull."""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy.signal import lfilter

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import belt, heat_drive
from herdbook.pipeline.metrics.braking import front_share
from herdbook.pipeline.metrics.set import MetricSet
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Key, Series, Signals
from tests.coverage.case import Case, Draw, Rng

START = 1_772_352_000_000_000
DT = 0.1
PERIODS_S = (0.05, 0.1, 0.2, 0.5)
SIDES = ("front", "rear")


def _series(rng: Rng, v: Floats, period: float, noise: float, step: float) -> Series:
    at = np.arange(rng.uniform(0, period), (v.size - 1) * DT, period)
    read = v[np.rint(at / DT).astype(int)] + rng.normal(0.0, noise, at.size)
    return Series(START + np.rint(at * 1e6).astype(np.int64), np.round(read / step) * step)


def _measured(of: MetricSet, data: dict[Key, Series], seconds: float) -> tuple[Metric, ...]:
    signals = Signals("x", START, START + int(seconds * 1e6), data)
    drive = {"gear": 4.0, "wheel_m": 0.25, "max_motor_a": 50.0}
    return of.compute(Session("x", "ride", signals.start, signals.end), signals, profile(drive=drive)).metrics


def _pulls(rng: Rng, seconds: float) -> Floats:
    """Torque current of a town ride [A]: starts, cruise, brakes and stands."""
    parts: list[Floats] = []
    while sum(p.size for p in parts) * DT < seconds:
        cruise = rng.uniform(20.0, 90.0)
        for length, amps in (
            (rng.uniform(3.0, 8.0), rng.uniform(25.0, 50.0)),
            (cruise, rng.uniform(4.0, 14.0)),
            (rng.uniform(2.0, 5.0), -rng.uniform(5.0, 25.0)),
            (rng.uniform(3.0, 25.0), 0.0),
        ):
            parts.append(np.full(int(length / DT), amps))
    return np.concatenate(parts)[: int(seconds / DT)]


def _body(heat: Floats, tau_s: float, first: float = 0.0) -> Floats:
    a = np.exp(-DT / tau_s)
    return np.asarray(lfilter([1 - a], [1, -a], heat, zi=[a * first])[0])


def _stage(rng: Rng, minutes: tuple[float, float], tau_s: tuple[float, float]) -> list[Draw]:
    """A power stage on its plate, which itself warms slowly by a part of the same heat. The figure means something
    beside other vehicles of the type alone: its truth is what they show in the mean of many rides."""
    fast, slow, plate = rng.uniform(*tau_s), rng.uniform(900.0, 2500.0), rng.uniform(0.05, 0.25)
    k, step = float(np.exp(rng.uniform(*np.log((0.012, 0.15))))), float(rng.choice([0.1, 0.5, 1.0]))

    def ride(noise: float, resolution: float) -> list[Metric]:
        seconds = rng.uniform(*minutes) * 60.0
        amps = _pulls(rng, seconds)
        warm = k * (_body(amps**2, fast) + plate * _body(amps**2, slow))
        before = rng.uniform(0.0, 8.0) * np.exp(-np.arange(amps.size) * DT / rng.uniform(60.0, 600.0))
        data: dict[Key, Series] = {
            ("motor_current", "only"): _series(rng, amps, 0.1, 0.3, 0.1),
            ("fet_temp", "only"): _series(rng, 18.0 + warm + before, 1.0, noise, resolution),
        }
        return [m for m in _measured(heat_drive.SET, data, seconds) if m.name == "fet_heat_k_per_ka2"]

    others = [m.value for _ in range(8) for m in ride(0.02, 0.01)]
    return [(m.value, m.se or 0.0, float(np.mean(others))) for m in ride(0.1, step)] if others else []


def _twins(rng: Rng, minutes: tuple[float, float], times: tuple[float, float]) -> list[Draw]:
    """Two windings of one maker in one ride; the one warms `times` as much at equal loss."""
    seconds = rng.uniform(*minutes) * 60.0
    amps = _pulls(rng, seconds)
    share = rng.uniform(0.9, 1.1)
    tau, k, more = rng.uniform(250.0, 900.0), rng.uniform(0.04, 0.2), rng.uniform(*times)
    rises = [k * _body((amps * share) ** 2, tau * rng.uniform(0.93, 1.07)), k * more * _body(amps**2, tau)]
    data: dict[Key, Series] = {}
    for side, rise, current in zip(SIDES, rises, (amps * share, amps), strict=True):
        read = 18.0 + rng.normal(0.0, 1.0) + rise
        data["motor_temp", side] = _series(rng, read, 1.0, 0.1, float(rng.choice([0.1, 0.5, 1.0])))
        data["motor_current", side] = _series(rng, current, 0.1, 0.3, 0.1)
    found = [m for m in _measured(heat_drive.SET, data, seconds) if m.name == "winding_side_ratio" and m.item == "rear"]
    return [(m.value, m.se or 0.0, more) for m in found]


def _share(rng: Rng, events: tuple[int, int]) -> list[Draw]:
    """Brakings whose currents split by a share that speed and lever move a little."""
    n, share = int(rng.integers(*events)), rng.uniform(0.2, 0.8)
    whole, at = rng.uniform(12.0, 60.0, n), share + rng.normal(0.0, rng.uniform(0.005, 0.06), n)
    front, rear = (part + rng.normal(0.0, 0.3, n) for part in (whole * at, whole * (1.0 - at)))
    return [(m.value, m.se or 0.0, share) for m in front_share({"front_a": front, "rear_a": rear}) if m.se is not None]


def _slip(rng: Rng, twin: bool) -> list[Draw]:
    """A belt that slips beyond a torque; speed and motor speed in messages apart in time."""
    seconds = rng.uniform(8.0, 20.0) * 60.0
    amps, speed = _pulls(rng, seconds), 4.0
    track = np.empty(amps.size)
    slope = 0.03 * np.sin(np.arange(amps.size) * DT / rng.uniform(15.0, 50.0) + rng.uniform(0, 6.3))
    for i, a in enumerate(amps):
        push = 0.045 * a - (0.15 if a != 0.0 else 0.8) - 0.01 * speed * speed - 9.81 * slope[i]
        speed = min(max(speed + push * DT, 2.2), 9.0)
        track[i] = speed
    slip = rng.choice([0.0, rng.uniform(0.03, 0.1)])
    rpm = track * 4.0 / (np.pi * 0.25) * 60.0 * (1.0 + rng.normal(0.0, 0.01))
    data: dict[Key, Series] = {("vehicle_speed", ""): _series(rng, track, float(rng.choice(PERIODS_S)), 0.02, 0.01)}
    for side in SIDES if twin else ("only",):
        turns = rpm * (1.0 + slip * np.sign(amps) * (np.abs(amps) > 17.5)) if side != "rear" else rpm
        period = float(rng.choice(PERIODS_S))
        data["motor_speed", side] = _series(rng, turns, period, 2.0, 1.0)
        data["motor_current", side] = _series(rng, amps, period, 0.3, 0.1)
    found = [m for m in _measured(belt.SET, data, seconds) if m.name == "belt_hard_slip_pct" and m.item != "rear"]
    return [(m.value, m.se or 0.0, 100.0 * slip) for m in found]


RIDES = (8.0, 20.0)
PLACE = "the sensor's place and the road's share of cooling are in the error, not in these worlds"
APART = "half a per cent for messages apart within a second is in the error of each"
CASES = [
    Case(
        "power stage by its current",
        "beside others of its type",
        partial(_stage, minutes=RIDES, tau_s=(30.0, 120.0)),
        "the wind over its heat sink is in the error, not in these worlds",
    ),
    Case("winding beside its twin", "sound twins", partial(_twins, minutes=RIDES, times=(0.9, 1.5)), PLACE),
    Case(
        "winding beside its twin",
        "one far hotter",
        partial(_twins, minutes=RIDES, times=(2.0, 8.0)),
        PLACE,
        quick=False,
    ),
    Case("front motor's part of the brake", "many brakings", partial(_share, events=(8, 60)), cheap=True),
    Case("front motor's part of the brake", "few brakings", partial(_share, events=(2, 6)), cheap=True, quick=False),
    Case("belt at hard pull", "over the other motor", partial(_slip, twin=True), APART),
    Case("belt at hard pull", "one motor", partial(_slip, twin=False), APART, quick=False),
]
