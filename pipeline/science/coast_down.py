"""Road load from coasting: M dv/dt = -(F0 + F1 v + F2 v^2), the same stretch run in both directions.

Integrated over time the equation is linear in the forces, v(t) = v(0) - (F0 t + F1 x + F2 y) / M with x = int v dt and
y = int v^2 dt, so that no noisy speed is ever differentiated. In a pair of directions a slope G and a wind w along the
road change sign: + s (G + W v) with W = 2 F2 w; both are fitted, and F2 w^2, which the wind adds either way, taken off.

Sources: force balance; pairs of directions and reference conditions as SAE J1263 and ISO 10521 do in principle (common
practice); K0 and the reference air of UN GTR 15 from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.meta_analysis import Z95, t95

K0_PER_K = 8.6e-3  # rolling resistance falls so much a kelvin: UN GTR 15, from memory; of car tyres
REFERENCE_C, REFERENCE_KPA = 20.0, 100.0
ZERO_C = -273.15
AIR_AT_REFERENCE = 1.189  # kg/m3, UN GTR 15, from memory; the gas law of dry air gives 1.18837
NODES = 64  # of the Gauss-Legendre rule: the integrands are smooth
LEAST_SAMPLES = 12


@dataclass(frozen=True, slots=True)
class Coast:
    """One free run. t_s (n,): rising seconds from 0; speed_ms (n,): finite; forward: the direction it went."""

    t_s: Floats
    speed_ms: Floats
    forward: bool

    def within(self, low_ms: float, high_ms: float) -> Coast:
        """Between the last sample at high_ms or more and the first at low_ms or less."""
        fast = np.flatnonzero(self.speed_ms >= high_ms)
        begin = int(fast[-1]) if fast.size else 0
        slow = np.flatnonzero(self.speed_ms[begin:] <= low_ms)
        end = begin + int(slow[0]) + 1 if slow.size else self.speed_ms.size
        return Coast(self.t_s[begin:end] - self.t_s[begin], self.speed_ms[begin:end], self.forward)


@dataclass(frozen=True, slots=True)
class PairFit:
    """force (3,): F0 N, F1 N s/m, F2 N s2/m2 on the level in still air. slope_n: what the road adds one way; wind_ms:
    along the road, against the forward direction; residual_ms: of the fitted speeds."""

    force: Floats
    slope_n: float
    wind_ms: float
    residual_ms: float


def force_at(force: Floats, speed_ms: Floats) -> Floats:
    """N at each speed. force: (3,)."""
    return np.asarray(force[0] + force[1] * speed_ms + force[2] * speed_ms**2)


def _nodes(from_ms: float, to_ms: float) -> tuple[Floats, Floats]:
    place, weight = np.polynomial.legendre.leggauss(NODES)
    half = 0.5 * (from_ms - to_ms)
    return to_ms + half * (place + 1.0), half * weight


def coast_time(force: Floats, mass_kg: float, from_ms: float, to_ms: float) -> float:
    """Seconds to coast from one speed down to another. mass_kg: with its turning parts."""
    v, weight = _nodes(from_ms, to_ms)
    return float(weight @ (mass_kg / force_at(force, v)))


def coast_distance(force: Floats, mass_kg: float, from_ms: float, to_ms: float) -> float:
    """Metres, likewise."""
    v, weight = _nodes(from_ms, to_ms)
    return float(weight @ (mass_kg * v / force_at(force, v)))


def _integrals(coast: Coast) -> tuple[Floats, Floats]:
    """Running int v dt and int v^2 dt by trapezoids."""
    dt = np.diff(coast.t_s)
    v = coast.speed_ms
    x = np.concatenate(([0.0], np.cumsum(0.5 * dt * (v[1:] + v[:-1]))))
    y = np.concatenate(([0.0], np.cumsum(dt * (v[1:] ** 2 + v[1:] * v[:-1] + v[:-1] ** 2) / 3.0)))
    return x, y


def fit_pair(there: Coast, back: Coast, mass_kg: float, with_f1: bool = False) -> PairFit:
    """Forces common to two coasts in opposite directions. mass_kg: with its turning parts.

    Raises: ValueError when a coast has under a dozen samples, or they go the same way.
    """
    if min(there.t_s.size, back.t_s.size) < LEAST_SAMPLES:
        raise ValueError(f"a coast has fewer than {LEAST_SAMPLES} samples in the range of speeds")
    if there.forward == back.forward:
        raise ValueError("both coasts go the same way")
    rows, speeds = [], []
    for place, coast in enumerate((there, back)):
        x, y = _integrals(coast)
        sign = 1.0 if coast.forward else -1.0
        own = np.zeros((x.size, 2))
        own[:, place] = 1.0
        forces = [coast.t_s, *([x] if with_f1 else []), y]
        signed = [sign * coast.t_s, sign * x]
        rows.append(np.column_stack([own, *(-c / mass_kg for c in (*forces, *signed))]))
        speeds.append(coast.speed_ms)
    a, v = np.vstack(rows), np.concatenate(speeds)
    found, *_ = np.linalg.lstsq(a, v, rcond=None)
    residual = v - a @ found
    f0, f2 = float(found[2]), float(found[4 if with_f1 else 3])
    f1 = float(found[3]) if with_f1 else 0.0
    slope, crossed = (float(c) for c in found[-2:])
    wind = crossed / (2.0 * f2) if f2 > 0.0 else 0.0
    return PairFit(
        force=np.array([f0 - f2 * wind**2, f1, f2]),
        slope_n=slope,
        wind_ms=wind,
        residual_ms=float(np.sqrt(residual @ residual / max(v.size - a.shape[1], 1))),
    )


def at_reference(force: Floats, air_c: float, pressure_kpa: float, k0_per_k: float = K0_PER_K) -> Floats:
    """Forces (..., 3) at 20 degC and 100 kPa from those at air_c and pressure_kpa: rolling with the temperature, air
    drag with the density."""
    rolling = 1.0 + k0_per_k * (air_c - REFERENCE_C)
    dense = (air_c - ZERO_C) / (REFERENCE_C - ZERO_C) * REFERENCE_KPA / pressure_kpa
    return np.asarray(force * np.array([rolling, rolling, dense]))


@dataclass(frozen=True, slots=True)
class Estimate:
    """Means of several repeats, all arrays (k,). se: of their scatter, for use with t95(dof); shared: standard error of
    what all repeats have in common (a weighed mass, a calibrated speed). dof: repeats less one; 0: no scatter known."""

    value: Floats
    se: Floats
    shared: Floats
    dof: int

    @property
    def half_width(self) -> Floats:
        """Of the 95 % interval; NaN of one repeat alone."""
        if self.dof < 1:
            return np.full(self.value.shape, np.nan)
        return np.asarray(np.hypot(t95(self.dof) * self.se, Z95 * self.shared))


def over_repeats(values: Floats, shared: Floats) -> Estimate:
    """values (repeats, k); shared (k,)."""
    n = values.shape[0]
    se = values.std(axis=0, ddof=1) / np.sqrt(n) if n > 1 else np.full(values.shape[1], np.nan)
    return Estimate(values.mean(axis=0), np.asarray(se), shared, n - 1)


@dataclass(frozen=True, slots=True)
class RoadLoadDifference:
    """Second less first, with the half width of its 95 % interval; arrays (k,)."""

    value: Floats
    half_width: Floats

    @property
    def told_apart(self) -> Floats:
        """1.0 where the interval leaves out 0, else 0.0."""
        return np.asarray(np.abs(self.value) > self.half_width, np.float64)


def difference(first: Estimate, second: Estimate) -> RoadLoadDifference:
    """Of two sets of repeats that share nothing. Student's factor by Welch and Satterthwaite for unequal scatter."""
    value = second.value - first.value
    if min(first.dof, second.dof) < 1:
        return RoadLoadDifference(value, np.full(value.shape, np.nan))
    a, b = first.se**2, second.se**2
    both = np.maximum(a + b, 1e-300)
    dof = both**2 / np.maximum(a**2 / first.dof + b**2 / second.dof, 1e-300)
    factor = np.array([t95(max(d, 1.0)) for d in dof])
    return RoadLoadDifference(
        value, np.asarray(np.hypot(factor * np.sqrt(both), Z95 * np.hypot(first.shared, second.shared)))
    )
