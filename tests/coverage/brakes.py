"""Pulls at a brake of known delay, with frames of demand and delivery at their own periods."""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy.signal import lfilter

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import braking
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Key, Series, Signals
from tests.coverage.case import Case, Draw, Rng

START = 1_772_352_000_000_000
DT = 0.005


def _once(rng: Rng, pulls: tuple[int, int], demand_s: tuple[float, float], status_s: tuple[float, float]) -> list[Draw]:
    count = int(rng.integers(*pulls))
    delay, lag = rng.uniform(0.03, 0.5), rng.uniform(0.02, 0.1)
    n = int((count * 12.0 + 5.0) / DT)
    wanted = np.zeros(n)
    for k in range(count):
        begin, length = int((5.0 + 12.0 * k + rng.uniform(0, 4)) / DT), int(rng.uniform(1.5, 4.0) / DT)
        ramp = int(rng.uniform(0.02, 0.4) / DT)
        size = rng.uniform(25.0, 100.0)
        wanted[begin : begin + length] = size * np.minimum(1.0, np.arange(1, length + 1) / ramp)
    late = np.concatenate([np.zeros(int(delay / DT)), wanted])[:n]
    a = np.exp(-DT / lag)
    given = lfilter([1 - a], [1, -a], late)
    t = np.arange(n) * DT

    def frames(v: np.ndarray, period: float) -> Series:
        at = np.arange(rng.uniform(0, period), t[-1], period)
        return Series(START + np.rint(at * 1e6).astype(np.int64), v[np.rint(at / DT).astype(int).clip(0, n - 1)])

    demand = rng.uniform(*demand_s)
    data: dict[Key, Series] = {
        ("brake_demand", ""): frames(np.round(wanted), demand),
        ("regen_demand", ""): frames(np.round(0.3 * wanted, 1), demand),
        ("regen_current", ""): frames(np.round(0.3 * given + rng.normal(0, 0.1, n), 1).clip(0), rng.uniform(*status_s)),
        ("vehicle_speed", ""): frames(np.full(n, 6.0), 0.1),
    }
    signals = Signals("x", START, START + int(t[-1] * 1e6), data)
    found = braking.SET.compute(Session("x", "ride", signals.start, signals.end), signals, profile({})).metrics
    truth = _true(wanted, given)
    return [(m.value, m.se or 0.0, truth) for m in found if m.name == "brake_response_s"]


def _true(wanted: np.ndarray, given: np.ndarray) -> float:
    """Middle over the pulls of the time from half of what is asked to half of that delivered [s]."""
    edge = np.flatnonzero((wanted[1:] > 0) & (wanted[:-1] <= 0)) + 1
    out = []
    for e in edge:
        peak = wanted[e : e + int(1.5 / DT)].max()
        asked, got = np.argmax(wanted[e:] >= 0.5 * peak), np.argmax(given[e:] >= 0.5 * peak)
        out.append((got - asked) * DT)
    return float(np.median(out))


WORLDS = {
    "fast frames": ((4, 20), (0.01, 0.05), (0.01, 0.05)),
    "slow status": ((4, 20), (0.02, 0.05), (0.1, 0.25)),
    "slow frames": ((4, 20), (0.05, 0.1), (0.1, 0.25)),
    "few pulls": ((1, 4), (0.02, 0.1), (0.02, 0.2)),
}
CASES = [
    Case(
        "delay of the brake",
        world,
        partial(_once, pulls=pulls, demand_s=demand_s, status_s=status_s),
        quick=world == "slow status",
    )
    for world, (pulls, demand_s, status_s) in WORLDS.items()
]
