"""Charge and energy by summing current over time, with what the gaps leave unknown."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.science.robust_fit import Floats
from pipeline.science.stretches import Times


@dataclass(frozen=True, slots=True)
class Charge:
    """out_ah, in_ah: Ah that left and entered the pack, both positive. run (n,): Ah out minus in since the
    start. recorded_s: time between samples near enough to each other. coverage: recorded over the whole
    span."""

    out_ah: float
    in_ah: float
    run: Floats
    recorded_s: float
    coverage: float


def integrate(t: Times, current: Floats, gap_s: float, span_s: float | None = None) -> Charge:
    """Trapezoids between neighbours at most gap_s apart; a longer pause carries no charge and lowers
    coverage.

    t: microseconds (n,). current: A (n,), positive on discharge; NaN breaks the chain like a pause. The
    difference in time is taken over all samples before the sign is looked at.
    """
    if t.size < 2:
        return Charge(0.0, 0.0, np.zeros(t.size), 0.0, 0.0)
    dt = np.diff(t) / 1e6
    mean = 0.5 * (current[1:] + current[:-1])
    ok = (dt <= gap_s) & np.isfinite(mean)
    step = np.where(ok, mean * dt, 0.0) / 3600
    recorded = float(dt[ok].sum())
    span = span_s if span_s else float((t[-1] - t[0]) / 1e6)
    return Charge(
        float(step[step > 0].sum()), float(-step[step < 0].sum()), np.concatenate(([0.0], np.cumsum(step))),
        recorded, min(1.0, recorded / span) if span else 0.0,
    )  # fmt: skip
