"""Current steps between two plateaus, and the resistance they show at a stated time after the step.

R(t) = -(v(after) - v(before)) / (i(after) - i(before)), current positive on discharge. The time matters: a
tenth of a second is ohmic, ten seconds include charge transfer and diffusion. Frames of voltage and current
are sent apart, so plateaus are compared, never samples on the ramp.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.science.meta_analysis import Z95, t95
from herdbook.pipeline.science.robust_fit import HUBER, MAD_TO_SD, median, medians

BEFORE_S = 1.0  # length of the plateau before the step
GUARD_S = 0.25  # either side of the step, left out
WHILES = 3


@dataclass(frozen=True, slots=True)
class Steps:
    """t0: moment of the step, us. change: A, after minus before, positive when the discharge rises."""

    t0: Times
    change: Floats

    def __len__(self) -> int:
        return int(self.t0.shape[0])


def find_steps(
    t: Times, current: Floats, pulses_s: tuple[float, ...], least_a: float, range_a: float
) -> tuple[Steps, ...]:
    """Steps of at least least_a whose current stays within range_a for a second before and pulse_s after,
    for each pulse length.

    t, current: samples in time order; they are put on an even grid first, and a pause leaves no step.
    """
    none = Steps(np.empty(0, np.int64), np.empty(0))
    period = max(median(np.diff(t[:20000])) / 1e6, 0.05) if t.size >= 10 else np.inf
    if period > GUARD_S * 2.1:
        return (none,) * len(pulses_s)
    grid = np.arange(t[0], t[-1], int(period * 1e6), dtype=np.int64)
    index = np.searchsorted(t, grid, side="right") - 1
    level = np.where(grid - t[index] <= 3e6 * period, current[index], np.nan)
    before, guard = (max(1, round(s / period)) for s in (BEFORE_S, GUARD_S))
    afters = [max(1, round(s / period)) for s in pulses_s]
    fit = [after for after in afters if level.size >= before + 2 * guard + after + 2]
    known = runs(level, (before, *fit)) if fit else {}
    found = []
    for after in afters:
        if after not in fit:
            found.append(none)
            continue
        low_b, high_b, mean_b = known[before]
        low_a, high_a, mean_a = known[after]
        i = slice(before + guard, level.size - guard - after)
        b, a = (slice(i.start + shift, i.stop + shift) for shift in (-guard - before, guard))
        change = mean_a[a] - mean_b[b]
        with np.errstate(invalid="ignore"):
            good = (high_b[b] - low_b[b] <= range_a) & (high_a[a] - low_a[a] <= range_a)
            good &= np.abs(change) >= least_a
        found.append(_one_each(grid[i], change, good))
    return tuple(found)


def runs(level: Floats, widths: Iterable[int]) -> dict[int, tuple[Floats, Floats, Floats]]:
    """By width: lowest, highest and mean of each run of so many samples, by its first. A NaN spoils its runs.

    Widths are at most the samples."""
    finite = np.isfinite(level)
    known = np.where(finite, level, np.inf)
    run = np.concatenate(([0.0], np.cumsum(np.where(finite, level, 0.0))))
    low, high = (extremes_of_runs(pick, known, widths) for pick in (np.minimum, np.maximum))
    return {width: (low[width], high[width], (run[width:] - run[:-width]) / width) for width in low}


def extremes_of_runs(pick: np.ufunc, v: Floats, widths: Iterable[int]) -> dict[int, Floats]:
    """By width: extreme of each run. Runs are covered by two overlapping ones of a power of two, got by doubling."""
    have, found = 1, {}
    for width in sorted(set(widths)):
        while 2 * have <= width:
            v = pick(v[:-have], v[have:])
            have *= 2
        over = width - have
        found[width] = np.asarray(pick(v[: v.size - over], v[over:])) if over else v
    return found


def _one_each(t: Times, change: Floats, good: np.ndarray) -> Steps:
    """Of every run of candidates the one in its middle: the ramp lies within the guard on both sides."""
    if not good.any():
        return Steps(np.empty(0, np.int64), np.empty(0))
    edge = np.flatnonzero(np.diff(np.concatenate(([0], good.view(np.int8), [0]))))
    middle = (edge[::2] + edge[1::2] - 1) // 2
    return Steps(t[middle], change[middle])


@dataclass(frozen=True, slots=True)
class Running:
    """Finite samples of a series and their running sum: t (n,), total (n + 1,)."""

    t: Times
    total: Floats

    @staticmethod
    def of(t: Times, v: Floats) -> Running:
        ok = np.isfinite(v)
        if not ok.all():
            t, v = t[ok], v[ok]
        return Running(t, np.concatenate(([0.0], np.cumsum(v))))

    def mean(self, start: Times, end: Times) -> Floats:
        """Mean of the samples in [start, end) for each pair; NaN where there is none."""
        a, b = np.searchsorted(self.t, start), np.searchsorted(self.t, end)
        n = b - a
        some = np.full(start.shape, np.nan)
        return np.asarray(np.divide(self.total[b] - self.total[a], n, out=some, where=n > 0))


def mean_between(t: Times, v: Floats, start: Times, end: Times) -> Floats:
    """Mean of the finite samples in [start, end) for each pair; NaN where there is none."""
    return Running.of(t, v).mean(start, end)


def responses(v: Running, steps: Steps, pulse_s: float) -> Floats:
    """Change of v at each step: around t0 + pulse_s against the second before. NaN where no sample lies there."""
    half = max(0.25, 0.1 * pulse_s)
    us = 1_000_000
    before = v.mean(steps.t0 - int((BEFORE_S + GUARD_S) * us), steps.t0 - int(GUARD_S * us))
    at = steps.t0 + int(pulse_s * us)
    return v.mean(at - int(half * us), np.minimum(at + int(half * us), at + int(GUARD_S * us))) - before


def unsettled(t: Times, current: Floats, steps: Steps, pulse_s: float) -> Floats:
    """How far the current before each step lay above its mean over longer and longer whiles before: (steps, WHILES) A.

    A step out of rest has zeros. Out of changing load, the voltage is still moving from what went before;
    these columns let the regression take that movement out. The whiles are 1, 4 and 16 pulse lengths, at
    least 4 s."""
    dt = np.diff(t, append=t[-1]) / 1e6
    run = np.concatenate(([0.0], np.cumsum(np.where(np.isfinite(current) & (dt < 5.0), current * dt, 0.0))))
    last = np.searchsorted(t, steps.t0 - int(GUARD_S * 1e6))
    before = mean_between(t, current, steps.t0 - int((BEFORE_S + GUARD_S) * 1e6), steps.t0 - int(GUARD_S * 1e6))
    out = np.zeros((len(steps), WHILES))
    for column in range(WHILES):
        span = 4**column * max(4.0, pulse_s)
        first = np.searchsorted(t, steps.t0 - int((GUARD_S + span) * 1e6))
        out[:, column] = before - (run[last] - run[first]) / span
    return np.where(np.isfinite(out), out, 0.0)


def resistance(
    change_v: Floats, change_a: Floats, factor: Floats | None = None, memory: Floats | None = None
) -> tuple[float, float, int]:
    """(ohm, standard error, steps): regression of dv on di through the origin, with Huber weights.

    factor: per step, the temperature factor of the resistance (1 at the reference); dv is divided by it.
    memory: further columns (steps, k) whose share of dv is not the step's, see unsettled(). NaN, NaN when
    fewer than 2 steps more than columns are usable. The error is robust to unequal noise and to steps that
    pull the fit their way (J. MacKinnon and H. White, J. Econometrics 29 (1985) 305, HC3); its 1.96-fold is a 95 %
    interval, Student's factor for few steps inside.
    """
    return resistances(change_v[None], change_a, factor, memory)[0]


def resistances(
    changes_v: Floats, change_a: Floats, factor: Floats | None = None, memory: Floats | None = None
) -> list[tuple[float, float, int]]:
    """resistance() of each row of changes_v (rows, steps): groups whose usable steps are alike are fitted at once."""
    usable = np.isfinite(changes_v) & np.isfinite(change_a)
    if factor is not None:
        usable &= np.isfinite(factor)
    alike: dict[bytes, list[int]] = {}
    for i, row in enumerate(usable):
        alike.setdefault(row.tobytes(), []).append(i)
    out = [(float("nan"), float("nan"), 0)] * len(changes_v)
    for rows in alike.values():
        ok = usable[rows[0]]
        x = np.column_stack([change_a] if memory is None else [change_a, memory])[ok]
        x = x[:, [0, *(j for j in range(1, x.shape[1]) if x[:, j].std() > 0.2)]] if x.size else x
        y = -changes_v[rows][:, ok] / (factor[ok] if factor is not None else 1.0)
        for i, (ohm, se) in zip(rows, _through_origin(x, y), strict=True):
            out[i] = ohm, se, len(x)
    return out


def _through_origin(x: Floats, y: Floats) -> list[tuple[float, float]]:
    """First coefficient and its error. x (n, k), y (rows, n)."""
    n, k = x.shape
    if n < k + 2:
        return [(float("nan"), float("nan"))] * len(y)
    weight = np.ones_like(y)
    for _ in range(5):
        inverse = _inverse((weight[:, None, :] * x.T) @ x)
        fit = (inverse @ ((weight * y) @ x)[:, :, None])[:, :, 0]
        residual = y - fit @ x.T
        away = np.abs(residual)
        scale = np.maximum(MAD_TO_SD * medians(away), 1e-9)
        weight = np.minimum(1.0, HUBER * scale[:, None] / np.maximum(away, 1e-15))
    known = weight * ((x @ inverse) * x).sum(axis=2)  # how much of its own fit each step is
    score = x.T * (weight * residual / (1.0 - np.minimum(known, 0.95)))[:, None, :]
    cov = inverse @ (score @ score.transpose(0, 2, 1)) @ inverse
    se = t95(n - k) / Z95 * np.sqrt(cov[:, 0, 0])
    return list(zip(fit[:, 0].tolist(), se.tolist(), strict=True))


def _inverse(squares: Floats) -> Floats:
    """Of small symmetric matrices (rows, k, k); the pseudo-inverse where columns depend on each other."""
    try:
        found = np.asarray(np.linalg.inv(squares), np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(squares), np.float64)
    off = ~(np.abs(squares @ found - np.eye(squares.shape[-1])) < 1e-8).all(axis=(1, 2))
    if off.any():
        found[off] = np.linalg.pinv(squares[off])
    return found
