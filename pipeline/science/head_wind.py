"""Wind along the way, told apart from what holds a vehicle back at any speed.

Air resists by (v + w)^2: beside the resistance in still air, a wind w from ahead adds rho CdA w v, which grows with the
speed, and half of rho CdA w^2. A brake that drags, a bearing or a soft tyre adds the same at any speed. While a vehicle
speeds up or slows down, the grade is still what it was a moment before: how the resistance changes with the speed
within seconds tells the wind of a ride, whatever the hills. Over rides it is the resistance that stays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.science.meta_analysis import Z95, t95

# Steps between the two moments compared: long enough that a second's timing matters little, short against a street.
APART = 3  # engineering choice
# PARTS, HEAVY and LEAST_SE were chosen after 85 to 88 % of intervals of 95 % had held over long streets of
# tests/coverage/roads.py, until nearly all did: a world with other streets and winds may want others.
HEAVY = 6.0  # standard deviations at which a residual weighs half: a street that begins is no wind; engineering choice
PARTS, LEAST_STEPS, ROUNDS = 6, 40, 12  # parts longer than a street, whose grade is in all that lies on it
LEAST_SE = 0.5  # m/s: gusts and corners, a wind is not one number over a ride; engineering choice
# Rides without an error that would move the spread of winds half of the way from the usual one to what they tell: a
# place may be sheltered or open, and the next month is not this one; engineering choice.
BEFORE = 4.0
LEAST_FREEDOM = 3  # under this a chance misfit of one wind says nothing of the errors: engineering choice


@dataclass(frozen=True, slots=True)
class HeadWind:
    """Mean over a ride, m/s, positive from ahead; nothing about usual winds is in it."""

    ms: float
    se: float
    steps: int


def head_wind(
    force_n: Floats, speed_ms: Floats, acceleration_ms2: Floats, free: Bools, newton_per_ms2: float
) -> HeadWind | None:
    """Of one ride, on even steps.

    force_n: of the motors less the air drag in still air; acceleration_ms2: central difference of the speed's means;
    free: where no other brake may hold; newton_per_ms2: density times drag area. The changes of force over APART steps
    are fitted on those of acceleration (the mass, which nobody knows), of speed (the wind) and of the force's own slope
    (one message later than the other), with weights by Student's law for the streets that begin in between. Force is
    smoothed as a difference of means looks (1/6, 2/3, 1/6). The error leaves out PARTS parts of the ride in turn
    (jackknife: B. Efron and C. Stein, Ann. Stat. 9 (1981) 586). None where too little of the ride changes speed.
    """
    if force_n.size < 2 * APART + 3:
        return None
    smooth, slope = np.full((2, force_n.size), np.nan)
    smooth[1:-1] = (force_n[:-2] + 4.0 * force_n[1:-1] + force_n[2:]) / 6.0
    slope[1:-1] = (force_n[2:] - force_n[:-2]) / 2.0
    every = np.column_stack([smooth, newton_per_ms2 * speed_ms, acceleration_ms2, slope])
    held = np.convolve(free & np.isfinite(every).all(axis=1), np.ones(APART + 1), "valid") > APART
    changes = (every[APART:] - every[:-APART])[held]
    if len(changes) < LEAST_STEPS:
        return None
    y, x = changes[:, 0], changes[:, 1:]
    weight = np.ones(y.size)
    try:
        for _ in range(ROUNDS):
            fit = np.linalg.solve((x.T * weight) @ x, (x.T * weight) @ y)
            left = y - x @ fit
            weight = 1.0 / (1.0 + (left / (HEAVY * max(1.4826 * float(np.median(np.abs(left))), 1e-9))) ** 2)
        part = np.arange(y.size) * PARTS // y.size
        without = [np.where(part == k, 0.0, weight) for k in range(PARTS)]
        winds = np.array([np.linalg.solve((x.T * w) @ x, (x.T * w) @ y)[0] for w in without])
    except np.linalg.LinAlgError:
        return None
    scatter = float(((winds - winds.mean()) ** 2).sum()) * (PARTS - 1) / PARTS
    se = t95(PARTS - 1) / Z95 * math.sqrt(scatter)
    return HeadWind(float(fit[0]), math.hypot(se, LEAST_SE), y.size) if math.isfinite(se) else None


@dataclass(frozen=True, slots=True)
class Usual:
    """Of winds along the way, m/s: each ride's own, and one that all rides of a vehicle may share."""

    own_ms: float
    shared_ms: float


def blowing_here(usual: Usual, winds: Floats, wind_ses: Floats) -> Usual:
    """Winds of this vehicle's rides, by how strong those are that they tell (NaN: not told), beside `usual` ones.

    The mean square of what is told, less its errors, weighs as a square of so few and so uncertain values does, and
    BEFORE values have been told before: the mean of a scaled inverse chi-square law, nearly (A. Gelman et al., Bayesian
    Data Analysis, 3rd ed., 2.6). Squares of normal values are alike by the square of their own correlation, so that
    rides that share their wind count for less than they are.
    """
    told = np.isfinite(winds) & np.isfinite(wind_ses)
    square = usual.own_ms**2 + usual.shared_ms**2
    weight = (square / (square + wind_ses[told] ** 2)) ** 2
    count = float(weight.sum())
    if not count:
        return usual
    seen = max(float(weight @ (winds[told] ** 2 - wind_ses[told] ** 2)) / count, 0.0)
    counts = count / (1.0 + max(count - 1.0, 0.0) * (usual.shared_ms**2 / square) ** 2)
    part = math.sqrt((BEFORE + counts * seen / square) / (BEFORE + counts))
    return Usual(part * usual.own_ms, part * usual.shared_ms)


@dataclass(frozen=True, slots=True)
class StillAir:
    """Resistance in still air in the unit of the values, with the wind's part in its error; and the middle wind."""

    value: float
    se: float
    wind_ms: float
    wind_se: float


def still_air(
    values: Floats,
    errors: Floats,
    gains: Floats,
    square: float | Floats,
    winds: Floats,
    wind_ses: Floats,
    usual: Usual,
) -> StillAir:
    """Over rides. values: resistance as met; errors: own ones, wind aside; gains: what 1 m/s from ahead adds to each;
    square: what (1 m/s)^2 adds, to all or to each; winds, wind_ses: as each ride tells them, NaN where it does not.

    Winds are drawn from `usual` before any ride tells its own; what rides may share does not average out. The mean of
    a linear Gaussian model by generalised least squares; it is not surer than its rides agree (Birge's factor:
    R. Birge, Phys. Rev. 40 (1932) 207).
    """
    n, told = values.size, np.isfinite(winds) & np.isfinite(wind_ses)
    blows = usual.shared_ms**2 + usual.own_ms**2 * np.eye(n)
    seen = np.concatenate([np.diag(gains), np.eye(n)[told]])
    noise = np.concatenate([errors, wind_ses[told]]) ** 2
    precise = np.linalg.inv(seen @ blows @ seen.T + np.diag(noise))
    one = np.concatenate([np.ones(n), np.zeros(int(told.sum()))])
    information = float(one @ precise @ one)

    def mean(of: Floats) -> tuple[float, Floats]:
        all_told = np.concatenate([of, winds[told]])
        value = float(one @ precise @ all_told) / information
        return value, all_told - value * one

    _, left = mean(values)
    wind = blows @ seen.T @ precise @ left
    value, left = mean(values - 0.5 * square * wind**2)
    wind = blows @ seen.T @ precise @ left
    after = blows - blows @ seen.T @ precise @ seen @ blows
    freedom = left.size - 1
    agree = math.sqrt(float(left @ precise @ left) / freedom) if freedom >= LEAST_FREEDOM else 1.0
    middle_se = math.sqrt(max(float(after.mean()), 0.0))
    return StillAir(value, max(agree, 1.0) / math.sqrt(information), float(wind.mean()), middle_se)
