"""Charge and energy by summing current over time, with what the gaps leave unknown."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.science.robust_fit import median


@dataclass(frozen=True, slots=True)
class Charge:
    """out_ah, in_ah: Ah that left and entered the pack, both positive. run (n,): Ah out minus in since the start.
    recorded_s: time between samples near enough to each other. coverage: recorded over the whole span."""

    out_ah: float
    in_ah: float
    run: Floats
    recorded_s: float
    coverage: float


def usual_gap_s(t: Times, most_s: float = 40.0) -> float:
    """The longest pause that still counts as recorded: three usual steps, 5 s at least and 40 s at most (engineering
    choice: a charger's current barely moves in that time, and a thinned log must not read as empty)."""
    period = median(np.diff(t[:20000])) / 1e6 if t.size > 2 else 0.0
    return float(np.clip(3.0 * period, 5.0, most_s))


def integrate(t: Times, current: Floats, gap_s: float | None = None, span_s: float | None = None) -> Charge:
    """Trapezoids between neighbours at most gap_s apart; a longer pause carries no charge and lowers coverage.

    gap_s: None takes usual_gap_s(t). t: microseconds (n,). current: A (n,), positive on discharge; NaN breaks the chain
    like a pause. The difference in time is taken over all samples before the sign is looked at.
    """
    if t.size < 2:
        return Charge(0.0, 0.0, np.zeros(t.size), 0.0, 0.0)
    gap_s = usual_gap_s(t) if gap_s is None else gap_s
    dt = np.diff(t) / 1e6
    mean = 0.5 * (current[1:] + current[:-1])
    ok = (dt <= gap_s) & np.isfinite(mean)
    step = np.where(ok, mean * dt, 0.0) / 3600
    recorded = float(dt[ok].sum())
    span = span_s if span_s else float((t[-1] - t[0]) / 1e6)
    return Charge(
        float(step[step > 0].sum()),
        float(-step[step < 0].sum()),
        np.concatenate(([0.0], np.cumsum(step))),
        recorded,
        min(1.0, recorded / span) if span else 0.0,
    )
