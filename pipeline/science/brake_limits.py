"""Why a brake that gives its energy back to the pack may rightly give less than asked, sample by sample."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats

REASONS = ("ceiling", "full", "cold", "hot")  # and "slow", which comes before all


@dataclass(frozen=True, slots=True)
class Taper:
    """Share of the current left over: 1 up to `full`, 0 from `zero` on, straight between; zero may lie under full.

    full == zero: a step, and `rising` says on which side nothing is left.
    """

    full: float
    zero: float
    rising: bool = True

    def share(self, x: Floats) -> Floats:
        """1 where x is unknown: an unknown state explains nothing."""
        with np.errstate(invalid="ignore"):
            if self.full == self.zero:
                left = np.where(x >= self.full if self.rising else x <= self.full, 0.0, 1.0)
            else:
                left = np.clip((self.zero - x) / (self.zero - self.full), 0.0, 1.0)
        return np.asarray(np.where(np.isnan(x), 1.0, left))


@dataclass(frozen=True, slots=True)
class Envelope:
    """Where regeneration is rightly less than full; figures of the vehicle, from its profile where it has them.

    Without them steps stand where such packs commonly begin to take less: beyond those any refusal counts as
    explained. fade_ms: under this speed a motor has ever less power to give back. ceiling_a: the most the
    pack may ever take.
    """

    cell_v: Taper
    cold_c: Taper
    hot_cell_c: Taper
    fade_ms: float = 1.4
    ceiling_a: float = float("inf")
    soc_pct: Taper = Taper(94.0, 94.0)
    hot_fet_c: Taper = Taper(80.0, 80.0)
    hot_motor_c: Taper = Taper(110.0, 110.0)


@dataclass(frozen=True, slots=True)
class BrakingState:
    """What is known at each sample; NaN where unknown."""

    speed_ms: Floats
    soc_pct: Floats
    cell_max_v: Floats
    cell_min_c: Floats
    cell_max_c: Floats
    fet_c: Floats
    motor_c: Floats
    derate_pct: Floats  # 100 = none
    pack_open: Bools | None = None  # the pack's own limit, which holds its tapers, is seen to allow all that was asked


def slow(state: BrakingState, envelope: Envelope) -> Bools:
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(state.speed_ms) < envelope.fade_ms)


def shares(state: BrakingState, envelope: Envelope) -> dict[str, Floats]:
    """Share of the ceiling that each reason leaves over, by the names in REASONS after "ceiling"."""
    # a drive that says how far it derates leaves nothing to a step that stands in for its figures
    told = np.isfinite(state.derate_pct)
    fet, motor = (
        np.where(told & (taper.full == taper.zero), 1.0, taper.share(c))
        for taper, c in ((envelope.hot_fet_c, state.fet_c), (envelope.hot_motor_c, state.motor_c))
    )
    derate = np.where(np.isnan(state.derate_pct), 1.0, np.clip(state.derate_pct / 100.0, 0.0, 1.0))
    is_open = np.zeros(state.speed_ms.shape, bool) if state.pack_open is None else state.pack_open
    cells = np.where(is_open, 1.0, envelope.hot_cell_c.share(state.cell_max_c))
    full = np.minimum(envelope.soc_pct.share(state.soc_pct), envelope.cell_v.share(state.cell_max_v))
    return {
        "full": np.where(is_open, 1.0, full),
        "cold": np.where(is_open, 1.0, envelope.cold_c.share(state.cell_min_c)),
        "hot": np.minimum.reduce([fet, motor, derate, cells]),
    }


def split_shortfall(
    demand_a: Floats,
    allowed_a: Floats,
    delivered_a: Floats,
    state: BrakingState,
    envelope: Envelope,
    tolerance_a: Floats,
) -> dict[str, Floats]:
    """Shortfall at each sample, split; the parts add up to max(demand - delivered - tolerance, 0).

    "slow": at walking pace, whatever else holds. A reason in REASONS: withheld by the limiter, as far as the
    state calls for it. "unreasoned": withheld with no reason in sight. "undelivered": allowed, yet not
    delivered. With `allowed_a` unknown (NaN) the whole shortfall counts as withheld.
    """
    short = np.clip(demand_a - delivered_a - tolerance_a, 0.0, None)
    crawling = slow(state, envelope)
    withheld = np.where(np.isnan(allowed_a), short, np.clip(demand_a - allowed_a, 0.0, short))
    parts = {
        "slow": np.where(crawling, short, 0.0),
        "undelivered": np.where(crawling, 0.0, short - withheld),
    }
    free = np.where(crawling, 0.0, withheld)
    # no ceiling given: what is asked is the best guess of it
    ceiling = np.full(demand_a.shape, envelope.ceiling_a)
    before = np.fmin(demand_a, ceiling)
    parts["ceiling"] = np.minimum(free, demand_a - before)
    free = free - parts["ceiling"]
    left = np.fmin(ceiling, np.where(np.isfinite(ceiling), ceiling, demand_a))
    for name, share in shares(state, envelope).items():
        left = left * share
        now = np.fmin(demand_a, left)
        parts[name] = np.clip(before - now, 0.0, free)
        free = free - parts[name]
        before = np.minimum(before, now)
    parts["unreasoned"] = free
    return parts
