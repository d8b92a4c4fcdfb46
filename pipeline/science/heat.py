"""Heat of a lumped body: C dT/dt = q - h (T - Ta), with tau = C / h. Used for packs and for motor windings.

Source: closed form of a first-order linear equation; the discrete form is exact for q constant within a step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Indices, Times


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


def rise(measured_c: Floats, passive_c: Floats, explained_k: Floats, step_s: float) -> HeatRise | None:
    """Fit measured - passive = offset + ratio x explained over a session. None when under 10 points or no spread.

    passive_c: where the body would go without load, explained_k: what the load adds (ratio 1). The offset
    takes up sensor offsets and an uneven start. Residuals of a thermal fit hang together for minutes, so that
    the standard error counts one independent point every five minutes, at least three.
    """
    ok = np.isfinite(measured_c) & np.isfinite(passive_c) & np.isfinite(explained_k)
    if ok.sum() < 10:
        return None
    y, x = (measured_c - passive_c)[ok], explained_k[ok]
    dx = x - x.mean()
    sxx = float(dx @ dx)
    if sxx <= 1e-6 * x.size:
        return None
    ratio = float(dx @ (y - y.mean())) / sxx
    offset = float(y.mean()) - ratio * float(x.mean())
    residual = y - offset - ratio * x
    spread = float(np.sqrt(residual @ residual / max(residual.size - 2, 1)))
    independent = max(3.0, ok.sum() * step_s / 300.0)
    se = spread * np.sqrt(x.size / sxx / independent)
    top = int(np.argmax(x))
    return HeatRise(
        ratio=ratio,
        se=float(se),
        explained_k=float(x[top]),
        measured_k=float(y[top] - offset),
        residual_k=spread,
        n=int(ok.sum()),
    )
