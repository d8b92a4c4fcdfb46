"""The rider's plan and the streets of the invented hill town Treppenau: what is wanted, before the vehicle answers.

A courier rides from door to door: pull away, cruise, then brake for a door or a corner, or let go and roll.
Plans are made segment by segment and laid out on the time grid of the ride.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

DRIVE, COAST, BRAKE, STOP = 0, 1, 2, 3
BIN_M = 5.0


@dataclass(frozen=True, slots=True)
class Plan:
    """kind, target_ms, level_pct: (steps, vehicles). grade: (vehicles, bins of BIN_M metres), rise over run."""

    kind: NDArray[np.int8]
    target_ms: NDArray[np.float64]
    level_pct: NDArray[np.float64]
    grade: NDArray[np.float64]


def plan_rides(
    rngs: list[np.random.Generator],
    riders: list[float],
    top_ms: float,
    steps: int,
    dt: float,
    styles: list[str],
) -> Plan:
    """Plans for a batch. riders: 0 gentle .. 1 hard. styles: "town", "down" (the first kilometre falls), "slow"."""
    kind = np.full((steps, len(rngs)), STOP, np.int8)
    target, level = np.zeros((steps, len(rngs))), np.zeros((steps, len(rngs)))
    for i, (rng, rider, style) in enumerate(zip(rngs, riders, styles, strict=True)):
        step = int(3.0 / dt)
        while step < steps:
            for seconds, what, speed, demand in _stretch(rng, rider, top_ms, style):
                end = min(steps, step + max(1, round(seconds / dt)))
                kind[step:end, i], target[step:end, i], level[step:end, i] = what, speed, demand
                step = end
        quiet = max(0, steps - int(4.0 / dt))
        kind[quiet:, i], target[quiet:, i], level[quiet:, i] = STOP, 0.0, 0.0
    bins = int(steps * dt * top_ms / BIN_M) + 20
    grade = np.stack([_street(rng, bins, style) for rng, style in zip(rngs, styles, strict=True)])
    return Plan(kind, target, level, grade)


def _stretch(
    rng: np.random.Generator, rider: float, top_ms: float, style: str
) -> list[tuple[float, int, float, float]]:
    """(seconds, kind, speed, brake level) of one stretch from pull-away to the next door or corner."""
    if style == "slow":
        return [
            (rng.uniform(4, 8), DRIVE, rng.uniform(1.0, 1.6), 0.0),
            (2.5, BRAKE, 0.0, float(rng.choice([30, 60]))),
            (rng.uniform(3, 8), STOP, 0.0, 0.0),
        ]
    speed = top_ms * float(np.clip(rng.normal(0.60 + 0.25 * rider, 0.13), 0.25, 0.97))
    out = [(rng.uniform(9, 28), DRIVE, speed, 0.0)]
    if rng.random() < 0.25:
        out.append((rng.uniform(5, 9), COAST, speed, 0.0))
    stops = rng.random() < 0.55
    low = 0.0 if stops else top_ms * rng.uniform(0.25, 0.45)
    demand = float(rng.choice([30, 50, 70, 100], p=[0.3, 0.35, 0.25, 0.1]))
    out.append(((speed - low) / (2.0 * demand / 100.0) + 1.0, BRAKE, low, demand))
    if stops:
        out.append((rng.uniform(8, 22) if rng.random() < 0.75 else rng.uniform(25, 45), STOP, 0.0, 0.0))
    return out


def _street(rng: np.random.Generator, bins: int, style: str) -> NDArray[np.float64]:
    """Grade along the way: stretches of 60 to 200 m, up to 12 %, drawn back towards the height of the start."""
    grade = np.zeros(bins)
    place, height = 0, 0.0
    while place < bins:
        width = int(rng.integers(12, 40))
        pull = -0.0006 * height
        value = float(np.clip(rng.normal(pull, 0.05), -0.12, 0.12))
        if style == "down" and place * BIN_M < 1000:
            value = -float(rng.uniform(0.06, 0.09))
        grade[place : place + width] = value
        height += value * width * BIN_M
        place += width
    return np.convolve(np.pad(grade, 4, mode="edge"), np.ones(9) / 9, mode="valid")
