"""Lines of units that are alike but not the same: a linear mixed model, with errors that may hang together in time.

A unit's values are X beta + Z u + wander + noise: beta is common, u its own (normal, any covariance), wander forgets
exponentially, noise does not last; a unit's slope may drift on (fit_lines). Fitted by restricted maximum likelihood.
Sources: N. Laird and J. Ware, Biometrics 38 (1982) 963; P. Diggle, Biometrics 44 (1988) 959 (wander); criterion as D.
Bates et al., J. Stat. Softw. 67 (2015) 1; search: J. Nelder and R. Mead, Comput. J. 7 (1965) 308; prediction with its
error: G. Robinson, Stat. Sci. 6 (1991) 15.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log, pi

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Floats

Matrix = NDArray[np.float64]
ROUNDS = 600
EXACT = 1e-9  # of the criterion, at which the search ends
TRIED = 8  # spreads of the last own column, and of the drift, that are weighed against each other
HARDLY = 0.01  # of the likeliest: what is less likely is left out
DRIFT_DAYS = 100.0  # days in which a slope drifts by its variance


@dataclass(frozen=True, slots=True)
class Unit:
    """y (n,); x (n, p): columns common to all; z (n, q): columns whose factors are the unit's own. t (n,): times, for
    the wander. weight (n,): how many readings a value is the mean of."""

    y: Floats
    x: Matrix
    z: Matrix
    t: Floats
    weight: Floats


@dataclass(frozen=True, slots=True)
class MixedFit:
    """beta (p,) with covariance (p, p). own (q, q): covariance of u. noise: standard deviation of a single reading.
    wander: standard deviation, and memory, the time after which it is like itself by 1/e; 0 and 1 without. criterion:
    -2 log likelihood, restricted or not. drift: variance that a slope (a DRIFT_DAYS) gathers in DRIFT_DAYS; 0 without.
    """

    beta: Floats
    covariance: Matrix
    own: Matrix
    noise: float
    wander: float
    memory: float
    criterion: float
    units: int
    drift: float = 0.0


def fit(units: Sequence[Unit], *, restricted: bool = True) -> MixedFit:
    """Without wander. Raises: ValueError where there are no more values than common columns."""
    packed = _Packed.of(units)
    p, q = packed.x.shape[2], packed.z.shape[2]
    if packed.n <= p:
        raise ValueError(f"{packed.n} values for {p} common columns")
    lower = np.tril_indices(q)

    def root(theta: Floats) -> Matrix:
        out = np.zeros((q, q))
        out[lower] = theta
        return out

    def criterion(theta: Floats) -> float:
        return packed.solve(root(theta), 0.0, 1.0, restricted=restricted).criterion

    start = np.eye(q)[lower]
    theta = lowest(criterion, lowest(criterion, start, 0.5, EXACT), 0.1, EXACT)
    return _as_fit(packed.solve(root(theta), 0.0, 1.0, restricted=restricted), root(theta), 0.0, 1.0, 0.0, len(units))


def fit_lines(
    units: Sequence[Unit], memory: tuple[float, float] | None, drifts: bool = False
) -> list[tuple[float, MixedFit]]:
    """With wander, whose memory lies between these (None: without), and own columns that do not hang together. drifts:
    each unit's slope wanders on from its first value (integrated Brownian motion, a local linear trend: A. Harvey,
    Forecasting, Structural Time Series Models and the Kalman Filter (1989), 2.3), so that courses may bend. How much
    the last column and the drift spread is seldom well known, so that several spreads are given, each with its weight
    (of a flat prior times the restricted likelihood). One alone would make forecasts too sure."""
    packed = _Packed.of(units)
    q = packed.z.shape[2]
    start = [1.0] * q + ([] if memory is None else [0.0, 0.0]) + ([0.3] if drifts else [])

    def split(theta: Floats) -> tuple[Matrix, float, float, float]:
        root = np.diag(np.abs(theta[:q]))
        drift = float(theta[-1]) ** 2 if drifts else 0.0
        if memory is None:
            return root, 0.0, 1.0, drift
        share = 1.0 / (1.0 + np.exp(-np.clip(theta[q + 1], -30, 30)))
        wander = float(np.exp(np.clip(theta[q], -9, 6)))
        return root, wander, float(memory[0] * (memory[1] / memory[0]) ** share), drift

    def criterion(theta: Floats) -> float:
        return packed.solve(*split(theta), restricted=True).criterion

    theta = lowest(criterion, np.array(start), 0.7, 1e-3)
    near = criterion(theta)

    def spreads(place: int) -> Floats:
        """Values of one spread, from next to nothing to where it is hardly likely."""
        high = max(abs(float(theta[place])), 0.02)
        while criterion(_with(theta, place, high)) < near + 9.0 and high < 1e3:
            high *= 1.3
        return np.asarray((np.arange(TRIED) + 0.5) / TRIED * high)

    tried = [_with(theta, q - 1, float(spread)) for spread in spreads(q - 1)]
    if drifts:
        tried = [_with(one, theta.size - 1, float(drift)) for drift in spreads(theta.size - 1) for one in tried]
    given = [split(one) for one in tried]
    fits = [_as_fit(packed.solve(*one, restricted=True), *one, len(units)) for one in given]
    weight = np.exp(-0.5 * np.array([f.criterion - min(o.criterion for o in fits) for f in fits]))
    weight[weight < HARDLY * weight.max()] = 0.0
    weight /= weight.sum()
    return [(float(w), f) for w, f in zip(weight, fits, strict=True) if w]


def _with(theta: Floats, place: int, value: float) -> Floats:
    out = theta.copy()
    out[place] = value
    return out


def _as_fit(found: _Solved, root: Matrix, wander: float, memory: float, drift: float, units: int) -> MixedFit:
    return MixedFit(
        beta=found.beta,
        covariance=np.asarray(found.variance * np.linalg.inv(found.gram), np.float64),
        own=found.variance * root @ root.T,
        noise=float(np.sqrt(found.variance)),
        wander=float(np.sqrt(found.variance * wander)),
        memory=memory,
        criterion=found.criterion,
        units=units,
        drift=found.variance * drift,
    )


@dataclass(frozen=True, slots=True)
class _Solved:
    beta: Floats
    gram: Matrix
    variance: float
    criterion: float


@dataclass(frozen=True, slots=True)
class _Packed:
    """All units as arrays (units, longest, ...); what is not there has no weight in anything."""

    y: Matrix
    x: Matrix
    z: Matrix
    apart: Matrix
    bends: Matrix
    noise: Matrix
    n: int

    @classmethod
    def of(cls, units: Sequence[Unit]) -> _Packed:
        longest, many = max(u.y.size for u in units), len(units)
        y, noise = np.zeros((many, longest)), np.ones((many, longest))
        x = np.zeros((many, longest, units[0].x.shape[1]))
        z = np.zeros((many, longest, units[0].z.shape[1]))
        apart = np.full((many, longest, longest), np.inf)
        bends = np.zeros((many, longest, longest))
        for i, u in enumerate(units):
            n = u.y.size
            y[i, :n], x[i, :n], z[i, :n], noise[i, :n] = u.y, u.x, u.z, 1.0 / u.weight
            apart[i, :n, :n] = np.abs(u.t[:, None] - u.t[None, :])
            bends[i, :n, :n] = drifted(u.t - u.t[0], u.t - u.t[0])
        return cls(y, x, z, apart, bends, noise, sum(u.y.size for u in units))

    def solve(self, root: Matrix, wander: float, memory: float, drift: float = 0.0, *, restricted: bool) -> _Solved:
        zl = self.z @ root
        v = zl @ np.swapaxes(zl, 1, 2)
        if wander:
            v = v + wander * np.exp(-self.apart / memory)
        if drift:
            v = v + drift * self.bends
        places = np.arange(v.shape[1])
        v[:, places, places] += self.noise
        chol = np.linalg.cholesky(v)
        inside = np.linalg.solve(chol, np.concatenate([self.x, self.y[:, :, None]], axis=2))
        flat = inside.reshape(-1, inside.shape[2])
        gram_all = flat.T @ flat
        gram, cross, square = gram_all[:-1, :-1], gram_all[:-1, -1], float(gram_all[-1, -1])
        beta = np.linalg.solve(gram, cross)
        p = beta.size if restricted else 0
        dof = self.n - p
        variance = max(square - float(cross @ beta), 1e-300) / dof
        size = 2.0 * float(np.sum(np.log(np.diagonal(chol, axis1=1, axis2=2))))
        told = dof * (log(2 * pi * variance) + 1) + size
        if restricted:
            told += float(np.linalg.slogdet(gram)[1])
        return _Solved(beta, gram, variance, told)


@dataclass(frozen=True, slots=True)
class Foretold:
    """Of one unit at some times: its line (X beta + Z u) with its standard error, and that of a value with wander."""

    line: Floats
    line_se: Floats
    value: Floats
    value_se: Floats


def foretell(model: MixedFit, unit: Unit, x: Matrix, z: Matrix, t: Floats) -> Foretold:
    """The unit's line and value at times t, whose columns are x and z; errors hold what is not known of beta and u."""
    cov_own = unit.z @ model.own @ unit.z.T
    v = cov_own + np.diag(model.noise**2 / unit.weight)
    if model.wander:
        v = v + model.wander**2 * np.exp(-np.abs(unit.t[:, None] - unit.t[None, :]) / model.memory)
    if model.drift:
        v = v + model.drift * drifted(unit.t - unit.t[0], unit.t - unit.t[0])
    left = unit.y - unit.x @ model.beta
    own = z @ model.own
    line_with = own @ unit.z.T
    if model.drift:
        line_with = line_with + model.drift * drifted(t - unit.t[0], unit.t - unit.t[0])
    value_with = line_with
    if model.wander:
        value_with = line_with + model.wander**2 * np.exp(-np.abs(t[:, None] - unit.t[None, :]) / model.memory)
    before = np.einsum("ij,ij->i", own, z) + model.drift * np.maximum(t - unit.t[0], 0.0) ** 3 / 3 / DRIFT_DAYS**3

    def told(with_data: Matrix, alone: Floats) -> tuple[Floats, Floats]:
        weights = np.linalg.solve(v, with_data.T).T
        short = x - weights @ unit.x
        unknown = np.einsum("ij,jk,ik->i", short, model.covariance, short)
        spread = alone - np.einsum("ij,ij->i", weights, with_data) + unknown
        return x @ model.beta + weights @ left, np.sqrt(np.maximum(spread, 0.0))

    return Foretold(*told(line_with, before), *told(value_with, before + model.wander**2))


def drifted(a: Floats, b: Floats) -> Matrix:
    """Covariance, at days a (n,) and b (m,) since a unit's first value, of what a slope adds that wanders from there on
    by 1 a 100 days (integrated Brownian motion); nothing before."""
    near = np.maximum(np.minimum(a[:, None], b[None, :]), 0.0) / DRIFT_DAYS
    far = np.maximum(a[:, None], b[None, :]) / DRIFT_DAYS
    return np.asarray(near**2 * (3 * far - near) / 6)


def lowest(f: Callable[[Floats], float], start: Floats, step: float, exact: float) -> Floats:
    """Where a function of few figures is lowest nearby: Nelder and Mead's search, to within `exact` of the value."""
    n = start.size
    points = np.vstack([start, start + step * np.eye(n)])
    values = np.array([f(p) for p in points])
    for _ in range(ROUNDS):
        order = np.argsort(values)
        points, values = points[order], values[order]
        if values[-1] - values[0] < exact:
            break
        middle = points[:-1].mean(axis=0)
        tried = 2 * middle - points[-1]
        got = f(tried)
        if got < values[0]:
            further = 3 * middle - 2 * points[-1]
            far = f(further)
            tried, got = (further, far) if far < got else (tried, got)
        elif got >= values[-2]:
            near = 0.5 * (middle + (tried if got < values[-1] else points[-1]))
            inner = f(near)
            if inner < min(got, values[-1]):
                tried, got = near, inner
            else:
                points[1:] = 0.5 * (points[1:] + points[0])
                values[1:] = [f(p) for p in points[1:]]
                continue
        points[-1], values[-1] = tried, got
    return np.asarray(points[int(np.argmin(values))])
