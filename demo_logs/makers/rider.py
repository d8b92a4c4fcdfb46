"""What riders want, segment by segment, and the streets they do it on; laid out on the ride's time grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.vehicle import Vehicle

DRIVE, COAST, BRAKE, STOP = 0, 1, 2, 3
BIN_M = 10.0


@dataclass(frozen=True, slots=True)
class Wish:
    """(steps, vehicles): kind, speed wanted [m/s], brake lever [%]. grade (vehicles, bins of BIN_M): rise over run."""

    kind: NDArray[np.int8]
    speed: NDArray[np.float32]
    lever: NDArray[np.float32]
    grade: NDArray[np.float64]


def wishes(vehicles: list[Vehicle], seconds: list[float], rngs: list[np.random.Generator], dt: float) -> Wish:
    steps = int(max(seconds) / dt)
    shape = (steps, len(vehicles))
    kind, speed, lever = np.full(shape, STOP, np.int8), np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    bins = int(max(seconds) * max(v.design.drive.top_ms for v in vehicles) / BIN_M) + 20
    grades = []
    for i, (vehicle, length, rng) in enumerate(zip(vehicles, seconds, rngs, strict=True)):
        segments = _segments(vehicle, length, rng)
        counts = np.maximum(1, np.rint(np.array([s[0] for s in segments]) / dt)).astype(int)
        for track, place in ((kind, 1), (speed, 2), (lever, 3)):
            line = np.repeat(np.array([s[place] for s in segments]), counts)[: int(length / dt)]
            track[: len(line), i] = line
        grades.append(_street(rng, bins, vehicle.habits.hills))
    return Wish(kind, speed, lever, np.stack(grades))


def _segments(vehicle: Vehicle, seconds: float, rng: np.random.Generator) -> list[tuple[float, int, float, float]]:
    """(seconds, kind, speed, lever), from standing still to standing still."""
    top, brisk = vehicle.design.drive.top_ms, vehicle.habits.briskness
    out: list[tuple[float, int, float, float]] = [(float(rng.uniform(4.0, 12.0)), STOP, 0.0, 0.0)]
    passed = out[0][0]
    while passed < seconds - 12.0:
        cruise = top * float(np.clip(rng.normal(0.55 + 0.3 * brisk, 0.15), 0.25, 1.0))
        leg = [(float(rng.gamma(2.5, 7.0)) + 5.0, DRIVE, cruise, 0.0)]
        if rng.random() < 0.4:
            leg.append((float(rng.uniform(3.0, 12.0)), COAST, cruise, 0.0))
        low = 0.0 if rng.random() < 0.5 else cruise * float(rng.uniform(0.3, 0.7))
        pull = float(np.clip(rng.normal(45.0 + 25.0 * brisk, 22.0), 12.0, 100.0))
        leg.append(((cruise - low) / (1.8 * pull / 100.0) + 1.0, BRAKE, low, pull))
        if low == 0.0:
            leg.append((float(rng.exponential(14.0)) + 2.0, STOP, 0.0, 0.0))
        out += leg
        passed += sum(s[0] for s in leg)
    return [*out, (12.0, STOP, 0.0, 0.0)]


def _street(rng: np.random.Generator, bins: int, hills: float) -> NDArray[np.float64]:
    """Grade: a slow random walk that is drawn back, no steeper than 14 %."""
    knots = bins // 12 + 2
    raw = np.clip(rng.normal(0.0, hills, knots), -0.14, 0.14)
    height = np.cumsum(raw)
    raw = raw - 0.1 * np.concatenate([[0.0], np.clip(height[:-1], -1.0, 1.0)]) * hills / 0.05
    return np.interp(np.arange(bins), np.arange(knots) * 12.0, raw)
