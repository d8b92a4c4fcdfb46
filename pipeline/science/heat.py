"""Heat of a lumped body: C dT/dt = q - h (T - Ta), with tau = C / h. Used for packs and for motor windings.

Source: closed form of a first-order linear equation; the discrete form is exact for q constant within a step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Indices, Times
from herdbook.pipeline.science.meta_analysis import Z95, t95
from herdbook.pipeline.science.robust_fit import STEP_SD, neighbours_alike


@dataclass(frozen=True, slots=True)
class Bins:
    """Which of n even bins each of the samples `inside` belongs to, and how many each has."""

    inside: slice
    of: Indices
    count: Indices

    @staticmethod
    def at(t: Times, start: int, width_s: float, n: int) -> Bins:
        """Of width_s from start (microseconds). t rises."""
        edges = np.searchsorted(t, start + int(width_s * 1e6) * np.arange(n + 1))
        count = np.diff(edges)
        return Bins(slice(int(edges[0]), int(edges[-1])), np.repeat(np.arange(n), count), count)

    def means(self, v: Floats) -> Floats:
        """Mean of the finite samples in each bin; NaN where there are none."""
        v, of, count, n = v[self.inside], self.of, self.count, self.count.size
        ok = np.isfinite(v)
        if not ok.all():
            v, of = v[ok], of[ok]
            count = np.bincount(of, minlength=n)
        return np.asarray(np.divide(np.bincount(of, v, n), count, out=np.full(n, np.nan), where=count > 0))


def relax(drive: Floats, step_s: float, tau_s: float, first: float = 0.0) -> Floats:
    """y after each step of y' = (drive - y) / tau, from `first`, drive constant within a step; shape as drive."""
    a = float(np.exp(-step_s / tau_s))
    out = np.empty(drive.shape)
    size = max(1, int(300.0 * tau_s / step_s))  # e^300 is far from overflow
    y = first
    for begin in range(0, drive.size, size):
        x = drive[begin : begin + size]
        grow = np.exp((np.arange(x.size) + 1) * (step_s / tau_s))
        out[begin : begin + size] = (y + (1.0 - a) * np.cumsum(x * grow)) / grow
        y = float(out[begin + x.size - 1])
    return out


def within_steps(after: Floats, first: float = 0.0) -> Floats:
    """Middle of each step from the values after it: a bin's mean belongs to its middle, not to its end."""
    return np.asarray(0.5 * (after + np.concatenate(([first], after[:-1]))))


def copper_factor(temp_c: Floats) -> Floats:
    """Copper resistance against 20 degC: (235 + T) / 255. Source: IEC 60034-1 (235 for copper)."""
    return np.asarray((235.0 + temp_c) / 255.0)


@dataclass(frozen=True, slots=True)
class HeatRise:
    """ratio: measured rise over the rise the load explains, with standard error; explained_k and measured_k: the
    largest explained rise of the session, and what was measured then; residual_k: robust spread of the fit."""

    ratio: float
    se: float
    explained_k: float
    measured_k: float
    residual_k: float
    n: int


LAGS_S = (0.0, 30.0, 90.0, 240.0)  # of a sensor behind what it measures (engineering choice)
AIR_K = 0.8  # air, and where the body stood against it when it began, are not known better (engineering choice)


def rise(
    measured_c: Floats, passive_c: Floats, explained_k: Floats, step_s: float, tau_s: float | None = None
) -> HeatRise | None:
    """Fit measured - passive = offset + ratio x explained over a session. None when under 10 points or no spread.

    passive_c: where the body would go without load, explained_k: what the load adds (ratio 1). The offset takes up
    sensor offsets. tau_s: time constant by which an error of the air's temperature shows; None: no air is in it.

    The error: residuals hang together, so that their number counts as n (1 - ab) / (1 + ab), a and b the correlations
    of neighbours in residual and explained rise (G. Bayley and J. Hammersley, Suppl. J. R. Stat. Soc. 8 (1946) 184),
    with Student's factor; a sensor lags by what fits best, and other lags that fit nearly as well give other ratios;
    the air's temperature; steps of a coarse sensor.
    """
    ok = np.isfinite(measured_c) & np.isfinite(passive_c) & np.isfinite(explained_k)
    if ok.sum() < 10 or float(np.var(explained_k[ok])) <= 1e-6:
        return None
    tracks = [(_late(passive_c, step_s, lag)[ok], _late(explained_k, step_s, lag)[ok]) for lag in LAGS_S]
    fits = [_fit(measured_c[ok], passive, explained) for passive, explained in tracks]
    best = min(fits, key=lambda f: f.spread)
    likely = np.array([(best.spread / f.spread) ** best.alone for f in fits])
    between = float(likely @ (np.array([f.ratio for f in fits]) - best.ratio) ** 2 / likely.sum())
    air = 0.0
    if tau_s is not None:
        away = -np.expm1(-(np.arange(measured_c.size) + 0.5) * step_s / tau_s)[ok]
        air = AIR_K * float(best.dx @ (away - away.mean())) / float(best.dx @ best.dx)
    top = int(np.argmax(explained_k[ok]))
    return HeatRise(
        ratio=best.ratio,
        se=float(np.sqrt(best.se**2 + between + air**2 + (_coarse(measured_c[ok]) / np.ptp(explained_k[ok])) ** 2)),
        explained_k=float(explained_k[ok][top]),
        measured_k=float((measured_c - passive_c)[ok][top] - best.offset),
        residual_k=best.spread,
        n=int(ok.sum()),
    )


@dataclass(frozen=True, slots=True)
class _RiseFit:
    ratio: float
    offset: float
    spread: float
    se: float
    alone: float  # points that count
    dx: Floats


def _fit(measured_c: Floats, passive_c: Floats, explained_k: Floats) -> _RiseFit:
    y, x = measured_c - passive_c, explained_k
    dx = x - x.mean()
    sxx = float(dx @ dx)
    ratio = float(dx @ (y - y.mean())) / sxx
    offset = float(y.mean()) - ratio * float(x.mean())
    residual = y - offset - ratio * x
    spread = max(float(np.sqrt(residual @ residual / (x.size - 2))), 1e-9)
    alike = max(neighbours_alike(residual), 0.0) * max(neighbours_alike(dx), 0.0)
    alone = max(x.size * (1.0 - alike) / (1.0 + alike), 3.0)
    se = t95(alone - 1.0) / Z95 * spread * float(np.sqrt(x.size / sxx / alone))
    return _RiseFit(ratio, offset, spread, se=se, alone=alone, dx=dx)


def _coarse(read: Floats) -> float:
    """Error between two readings that rounding leaves, where most of them stand on few steps."""
    steps = np.unique(read)
    return float(STEP_SD * np.sqrt(2.0) * np.diff(steps).min()) if 1 < steps.size < 0.5 * read.size else 0.0


def _late(v: Floats, step_s: float, lag_s: float) -> Floats:
    """A track as a sensor with this lag shows it."""
    first = float(v[np.isfinite(v)][0])
    return v if lag_s == 0.0 or not np.isfinite(v).all() else relax(v, step_s, lag_s, first)
