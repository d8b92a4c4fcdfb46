"""Why a brake that gives its energy back to the pack may rightly give less than asked: reasons, sample by
sample.

Each function returns True where the state at hand is a good reason. A missing state (NaN) is never a reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.science.stretches import Bools, Floats

REASONS = ("slow", "full", "cold", "hot", "ceiling")


@dataclass(frozen=True, slots=True)
class Envelope:
    """Where regeneration is rightly less than full; figures of the vehicle, from its profile where it has
    them.

    fade_ms: under this speed a motor has no power left to give back.
    full_soc_pct, full_cell_v: from here on the pack takes less. cold_c: under this it takes less.
    hot_cell_c, hot_fet_c, hot_motor_c: above these it or the drive takes less.
    ceiling_a: the most the pack side may ever take.
    """

    fade_ms: float = 1.4
    full_soc_pct: float = 94.0
    full_cell_v: float = 3.50
    cold_c: float = 10.0
    hot_cell_c: float = 45.0
    hot_fet_c: float = 80.0
    hot_motor_c: float = 110.0
    ceiling_a: float = float("inf")


@dataclass(frozen=True, slots=True)
class State:
    """What is known at each sample; NaN where unknown."""

    speed_ms: Floats
    soc_pct: Floats
    cell_max_v: Floats
    cell_min_c: Floats
    cell_max_c: Floats
    fet_c: Floats
    motor_c: Floats
    derate_pct: Floats  # 100 = none
    target_a: Floats


def reasons(state: State, envelope: Envelope) -> dict[str, Bools]:
    """Each reason's samples, by the names in REASONS."""
    with np.errstate(invalid="ignore"):
        return {
            "slow": np.abs(state.speed_ms) < envelope.fade_ms,
            "full": (state.soc_pct >= envelope.full_soc_pct) | (state.cell_max_v >= envelope.full_cell_v),
            "cold": state.cell_min_c < envelope.cold_c,
            "hot": (state.cell_max_c > envelope.hot_cell_c)
            | (state.fet_c > envelope.hot_fet_c)
            | (state.motor_c > envelope.hot_motor_c)
            | (state.derate_pct < 99.0),
            "ceiling": state.target_a > 1.02 * envelope.ceiling_a,
        }


def split_shortfall(
    demand_a: Floats, allowed_a: Floats, delivered_a: Floats, why: dict[str, Bools], tolerance_a: Floats
) -> dict[str, Floats]:
    """Shortfall at each sample, split; the parts add up to max(demand - delivered - tolerance, 0).

    <reason>: withheld by the limiter (or the low speed), and the state explains it; the first reason in
    REASONS that holds takes it all. "unreasoned": withheld by the limiter with no reason in sight.
    "undelivered": allowed, yet not delivered. With `allowed_a` unknown (NaN) the whole shortfall counts as
    withheld.
    """
    short = np.clip(demand_a - delivered_a - tolerance_a, 0.0, None)
    withheld = np.where(np.isnan(allowed_a), short, np.clip(demand_a - allowed_a, 0.0, None))
    withheld = np.minimum(withheld, short)
    left = short - withheld
    # at walking pace the motor itself fades: what the limiters allow then says nothing
    slow = why["slow"]
    parts = {"slow": np.where(slow, short, 0.0)}
    free = np.where(slow, 0.0, withheld)
    parts["undelivered"] = np.where(slow, 0.0, left)
    for name in REASONS[1:]:
        parts[name] = np.where(why[name], free, 0.0)
        free = np.where(why[name], 0.0, free)
    parts["unreasoned"] = free
    return parts
