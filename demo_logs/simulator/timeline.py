"""Moments that strike at random on a ride: link losses, lost speeds, resets; and how a pair of wheels
differs in corners."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from demo_logs.simulator.batch import Batch

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Moments:
    """link, reset, cut: (steps, vehicles) true while it lasts. blind: (steps, vehicles, 2) speed of a side is
    lost. reset_age_s: (steps, vehicles) seconds since the controller came back; -1 before any reset."""

    link: Flags
    reset: Flags
    blind: Flags
    reset_age_s: NDArray[np.float64]
    cut: Flags  # the main switch gives way as soon as current flows


def moments(batch: Batch, steps: int, dt: float) -> Moments:
    """Draw them for one ride from the sizes of the faults (rates an hour)."""
    link_rate = batch.active.scalar("link_loss")
    reset_rate = batch.active.scalar("controller_resets")
    cut_rate = batch.active.scalar("contactor_opens")
    blind_rate = batch.active.size("encoder_dropout", ("left", "right"))
    link, reset, blind, age, cut = [], [], [], [], []
    for i, rng in enumerate(batch.rngs):
        link.append(_strikes(rng, link_rate[i], steps, dt, 0.5, 2.5))
        reset.append(_strikes(rng, reset_rate[i], steps, dt, 1.0, 1.4))
        sides = [_strikes(rng, blind_rate[i, side], steps, dt, 0.2, 0.6) for side in (0, 1)]
        blind.append(np.stack(sides, axis=1))
        age.append(_age(reset[-1], dt))
        cut.append(_strikes(rng, cut_rate[i], steps, dt, 4.0, 8.0))
    return Moments(np.stack(link, 1), np.stack(reset, 1), np.stack(blind, 1), np.stack(age, 1), np.stack(cut, 1))


def _strikes(rng: np.random.Generator, rate_per_h: float, steps: int, dt: float, low_s: float, high_s: float) -> Flags:
    """Flags of events at this mean rate, each lasting low_s to high_s. A ride of a faulty vehicle has at least one."""
    out = np.zeros(steps, bool)
    if rate_per_h <= 0:
        return out
    count = max(1, int(rng.poisson(rate_per_h * steps * dt / 3600.0)))
    for start in np.sort(rng.uniform(0.08, 0.9, count)) * steps:
        out[int(start) : int(start + rng.uniform(low_s, high_s) / dt)] = True
    return out


def _age(reset: Flags, dt: float) -> NDArray[np.float64]:
    out = np.full(len(reset), -1.0)
    index = np.arange(len(reset))
    ends = np.flatnonzero(reset[:-1] & ~reset[1:]) + 1
    if len(ends):
        last = np.searchsorted(ends, index, side="right") - 1
        out = np.where(last >= 0, (index - ends[np.maximum(last, 0)]) * dt, -1.0)
    return out


def pair_ratio(rngs: list[np.random.Generator], steps: int, dt: float) -> NDArray[np.float64]:
    """(steps, vehicles, 2): a corner now and then turns one side up to 5 % faster and the other slower."""
    grid = np.arange(steps) * dt
    out = np.ones((steps, len(rngs), 2))
    for i, rng in enumerate(rngs):
        knots = np.arange(0.0, grid[-1] + 12.0, 4.0)
        bend = np.where(rng.random(len(knots)) < 0.25, rng.uniform(-0.05, 0.05, len(knots)), 0.0)
        curve = np.interp(grid, knots, bend)
        out[:, i, 0], out[:, i, 1] = 1.0 + curve, 1.0 - curve
    return out
