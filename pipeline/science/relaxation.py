"""Voltage at rest after a load: v(t) = v_inf + a1 exp(-t / tau1) + a2 exp(-t / tau2), for all groups at once.

For each pair of time constants the rest is linear. What is given is the mean over all pairs, each weighed by how likely
the record is with it: where many pairs do, as in a rest shorter than the slow part, the error says so.

Source: two relaxing parts, as in equivalent-circuit models of cells (common practice); variable projection.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats

LEAST_SAMPLES = 12
SHARES = np.geomspace(0.003, 1.0, 26)  # time constants tried, of the length of the rest
SHORT = 0.4


@dataclass(frozen=True, slots=True)
class Relaxed:
    """Per group (groups,): settled_v and its standard error, fast_s and slow_s, fall_v: from the first sample of the
    rest to settled_v (positive when it falls). left_over_v: root mean square. short: the slow part is not over."""

    settled_v: Floats
    settled_se: Floats
    fast_s: Floats
    slow_s: Floats
    fall_v: Floats
    left_over_v: Floats
    short: Bools


def relaxed(t_s: Floats, volts: Floats) -> Relaxed:
    """t_s (n,): seconds since the load was taken off, from above 0; volts (n, groups) without NaN.

    Raises: ValueError under a dozen samples."""
    n, groups = volts.shape
    if n < LEAST_SAMPLES:
        raise ValueError(f"{n} samples, and {LEAST_SAMPLES} are needed")
    taus = SHARES * float(t_s[-1])
    pairs, levels, squares, own = [], [], [], []
    for i, fast in enumerate(taus[:-1]):
        for slow in taus[i + 1 :]:
            a = np.column_stack([np.ones(n), np.exp(-t_s / fast), np.exp(-t_s / slow)])
            q, r = np.linalg.qr(a)
            if min(abs(r[1, 1]), abs(r[2, 2])) < 1e-8 * abs(r[0, 0]):
                continue
            c = np.linalg.solve(r, q.T @ volts)
            left = volts - a @ c
            pairs.append((fast, slow))
            levels.append(c[0])
            squares.append((left**2).sum(axis=0))
            own.append(float(np.linalg.inv(r)[0] @ np.linalg.inv(r)[0]))
    square, level = np.array(squares), np.array(levels)
    best = square.argmin(axis=0)
    least = np.maximum(square[best, np.arange(groups)], 1e-18 * n)
    variance = least / max(n - 5, 1)
    likely = np.exp(-0.5 * (square - least) / variance)
    likely /= likely.sum(axis=0)
    settled = (likely * level).sum(axis=0)
    between = (likely * (level - settled) ** 2).sum(axis=0)
    within = variance * (likely * np.array(own)[:, None]).sum(axis=0)
    fast_s, slow_s = (np.exp(likely.T @ np.log(np.array(part))) for part in zip(*pairs, strict=True))
    return Relaxed(
        settled_v=settled,
        settled_se=np.sqrt(between + within),
        fast_s=fast_s,
        slow_s=slow_s,
        fall_v=volts[0] - settled,
        left_over_v=np.sqrt(least / n),
        short=slow_s > SHORT * t_s[-1],
    )
