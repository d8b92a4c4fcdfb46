"""Strings of groups on rides: what a logger keeps of them, with the resistances and levels that are true.

Ranges are those from which demo_logs/makers draws: ohmic, fast and slow part, message periods of 20 ms to 1 s, pages
sampled apart, steps of 1 to 10 mV and 0.05 to 0.5 A, interference with the load. It shares no code with what it tests.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.signal import lfilter

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import cell_resistance, cell_split, pack_agreement
from herdbook.pipeline.metrics.set import MetricSet
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Key, Series, Signals
from tests.coverage.case import Case, Draw, Rng

START = 1_772_352_000_000_000
DT = 0.05


@dataclass(frozen=True, slots=True)
class World:
    """Ranges of a kind of logger: seconds between frames of the current and of one group, steps, noise, minutes."""

    name: str
    amp_s: tuple[float, float]
    cell_s: tuple[float, float]
    cell_step_v: tuple[float, ...]
    amp_step: tuple[float, ...]
    noise_v: tuple[float, float] = (0.0005, 0.003)
    minutes: tuple[float, float] = (6.0, 16.0)
    loud_v: float = 0.0


WORLDS = (
    World("fine", (0.02, 0.1), (0.1, 0.3), (0.001,), (0.05, 0.1)),
    World("usual", (0.1, 0.2), (0.3, 1.0), (0.001, 0.002), (0.1, 0.2)),
    World("coarse", (0.1, 0.3), (0.3, 1.0), (0.005, 0.010), (0.2, 0.5)),
    World("loud", (0.05, 0.2), (0.2, 0.6), (0.001, 0.002), (0.1, 0.2), loud_v=0.012),
    World("short ride", (0.1, 0.2), (0.3, 1.0), (0.001, 0.005), (0.1, 0.2), minutes=(3.0, 6.0)),
)


@dataclass(frozen=True, slots=True)
class Ride:
    """signals as logged; ohm (groups,): at once, fast and slow part with their time constants; level_v (groups,): mean
    of open-circuit voltage and tap error over the ride."""

    signals: Signals
    profile: Profile
    parts: np.ndarray  # (3, groups)
    fast_s: float
    slow_s: float
    level_v: np.ndarray
    path_ohm: float
    gap_v: float

    def after(self, seconds: float) -> np.ndarray:
        """Resistance of each group so long after a step out of rest [ohm]."""
        now, fast, slow = self.parts
        return np.asarray(now + fast * -np.expm1(-seconds / self.fast_s) + slow * -np.expm1(-seconds / self.slow_s))

    def measured(self, metric_set: MetricSet) -> Sequence[Metric]:
        s = self.signals
        return metric_set.compute(Session("x", "ride", s.start, s.end), s, self.profile).metrics


def ocv(soc: np.ndarray, bend: float) -> np.ndarray:
    """A plateau with one graphite step, in volts; bend: where the step lies."""
    return 3.28 + 0.05 * soc + 0.018 * np.tanh((soc - bend) / 0.05) - 0.25 * np.exp(-soc / 0.05)


def current_of(rng: Rng, n: int, rated: float) -> np.ndarray:
    """Legs of driving, coasting, braking and standing with ramps, a hand that wavers and hills that come and go [A]."""
    out, level = np.empty(n), 0.0
    at = 0
    hill = lfilter([1.0], [1.0, -np.exp(-DT / 25.0)], rng.normal(0.0, 1.0, n))
    hill *= 0.25 / (hill.std() + 1e-9)
    hand = lfilter([1.0], [1.0, -np.exp(-DT / 1.0)], rng.normal(0.0, 1.0, n))
    hand *= rng.uniform(0.01, 0.06) / (hand.std() + 1e-9)
    cruise = rng.uniform(0.3, 0.9)
    while at < n:
        kind = rng.choice(4, p=[0.5, 0.15, 0.2, 0.15])
        goal = (cruise * rng.uniform(0.5, 1.8), 0.02, -rng.uniform(0.1, 0.8), 0.01)[kind]
        length = (rng.gamma(2.5, 6.0) + 3.0, rng.uniform(3, 12), rng.uniform(1, 5), rng.exponential(10) + 2)[kind]
        steps = min(n - at, int(length / DT))
        ramp = min(steps, int(rng.uniform(0.2, 1.5) / DT))
        leg = np.full(steps, goal)
        leg[:ramp] = level + (goal - level) * np.arange(1, ramp + 1) / max(ramp, 1)
        out[at : at + steps] = leg
        level, at = goal, at + steps
    driving = out > 0.05
    return np.asarray(rated * np.where(driving, out * (1.0 + hill + hand), out))


def draw(rng: Rng, world: World) -> Ride:
    groups, rated = int(rng.integers(7, 21)), float(np.exp(rng.uniform(np.log(5), np.log(60))))
    ohm = 0.060 / rated * rng.uniform(0.6, 1.7)
    share, fast_share = rng.uniform(0.35, 0.75), rng.uniform(0.5, 0.85)
    fast_s, slow_s = rng.uniform(1.2, 6.0), rng.uniform(40.0, 260.0)
    slow = ohm * (1 - share) * (1 - fast_share) + 0.060 / rated * rng.uniform(0.2, 1.0)
    factor = 1.0 + rng.normal(0.0, 0.05, groups)
    factor[rng.integers(groups)] *= rng.uniform(1.0, 2.0)
    parts = np.array([ohm * share, ohm * (1 - share) * fast_share, slow])[:, None] * factor
    n = int(rng.uniform(*world.minutes) * 60 / DT)
    t = np.arange(n) * DT
    amps = current_of(rng, n, rated)
    fast, slow_a = (lfilter([1 - np.exp(-DT / s)], [1, -np.exp(-DT / s)], amps) for s in (fast_s, slow_s))
    offset = rng.normal(0.0, 0.005, groups)
    soc = rng.uniform(0.5, 0.95) - np.cumsum(amps) * DT / 3600 / rated
    open_v = ocv(np.clip(soc, 0.02, 1.0)[:, None] + offset, rng.uniform(0.3, 0.75))
    tap = rng.normal(0.0, rng.uniform(0.0004, 0.003), groups)
    volts = open_v - parts[0] * amps[:, None] - parts[1] * fast[:, None] - parts[2] * slow_a[:, None] + tap
    path, gap = rng.uniform(0.5, 4.0) / 1000, rng.normal(0.0, 0.3)
    signals = _logged(rng, world, rated=rated, t=t, amps=amps, volts=volts, path=path, gap=gap)
    level = open_v.mean(axis=0) + tap
    figures = profile({"cells": groups, "rated_ah": rated})
    return Ride(signals, figures, parts, fast_s, slow_s, level - np.median(level), path, gap)


def _logged(
    rng: Rng, world: World, rated: float, t: np.ndarray, amps: np.ndarray, volts: np.ndarray, path: float, gap: float
) -> Signals:
    n, groups = volts.shape
    data: dict[Key, Series] = {}
    gain, zero = 1.0 + rng.normal(0.0, rng.uniform(0.002, 0.01)), rng.normal(0.0, 0.002 * rated)
    amp_noise, noise_v = rng.uniform(0.3, 1.5) * max(0.03, 0.002 * rated), rng.uniform(*world.noise_v)
    top = np.abs(amps).max()

    def read(period: float, phase: float) -> tuple[np.ndarray, np.ndarray]:
        at = np.arange(phase, t[-1], period) + rng.normal(0.0, 0.0003, int(np.ceil((t[-1] - phase) / period)))
        index = np.clip(np.rint(at / DT).astype(int), 0, n - 1)
        return START + np.rint(at * 1e6).astype(np.int64), index

    def rounded(v: np.ndarray, step: float) -> np.ndarray:
        return np.asarray(np.rint(v / step) * step)

    def loud(i: np.ndarray, peak: float) -> np.ndarray:
        return np.asarray(peak * np.abs(amps[i]) / top * rng.uniform(-1, 1, i.size))

    when, i = read(rng.uniform(*world.amp_s), rng.uniform(0, 0.1))
    seen = gain * amps[i] + zero + rng.normal(0, amp_noise, i.size) + loud(i, 1.5 * world.loud_v * rated)
    data["pack_current", ""] = Series(when, rounded(seen, min(float(rng.choice(world.amp_step)), 0.02 * rated)))
    period, step = rng.uniform(*world.cell_s), float(rng.choice(world.cell_step_v))
    page = int(rng.choice([1, 3, 4, groups]))
    pages = -(-groups // page)
    for first in range(pages):
        when, i = read(period, 0.05 + period * first / pages)
        for k in range(first * page, min(groups, (first + 1) * page)):
            v = volts[i, k] + rng.normal(0, noise_v, i.size) + loud(i, world.loud_v)
            data["cell_voltage", k + 1] = Series(when, rounded(v, step))
    when, i = read(rng.uniform(0.1, 0.5), 0.02)
    total = volts[i].sum(axis=1) - path * amps[i] + gap
    step = float(rng.choice([0.01, 0.05, 0.1]))
    data["pack_voltage", ""] = Series(when, rounded(total + rng.normal(0, 0.4 * step, i.size), step))
    for sensor in range(1, 4):
        when, i = read(1.0, 0.3)
        data["cell_temp", sensor] = Series(when, rounded(np.full(i.size, 25.0), 0.5))
    return Signals("x", START, START + int(t[-1] * 1e6), data)


Of = Callable[[Ride], list[Draw]]


def _ratio(ride: Ride) -> list[Draw]:
    factor = ride.parts[0] / np.median(ride.parts[0])
    found = ride.measured(cell_split.SET)
    return [(m.value, m.se or 0.0, factor[int(m.item) - 1]) for m in found if m.name == "cell_r_ratio"]


def _level(ride: Ride) -> list[Draw]:
    found = ride.measured(cell_split.SET)
    return [(m.value, m.se or 0.0, 1000 * ride.level_v[int(m.item) - 1]) for m in found if m.name == "cell_level_mv"]


def _resistance(pulse: float, name: str) -> Of:
    def once(ride: Ride) -> list[Draw]:
        truth = 1000 * ride.after(pulse)
        found = [m for m in ride.measured(cell_resistance.SET) if m.name == name.format(f"{pulse:g}s")]
        return [(m.value, m.se or 0.0, truth[int(m.item) - 1] if m.item else np.median(truth)) for m in found]

    return once


def _agreement(name: str) -> Of:
    def once(ride: Ride) -> list[Draw]:
        truth = {"pack_path_mohm": 1000 * ride.path_ohm, "pack_sum_gap_v": ride.gap_v}[name]
        return [(m.value, m.se or 0.0, truth) for m in ride.measured(pack_agreement.SET) if m.name == name]

    return once


def _once(rng: Rng, of: Of, world: World) -> list[Draw]:
    return of(draw(rng, world))


KINDS: dict[str, Of] = {
    "ratio of a group's resistance": _ratio,
    "level of a group": _level,
    "resistance of a group, 0.5 s": _resistance(0.5, "cell_dcr_{}_mohm"),
    "resistance of the middle group, 2 s": _resistance(2.0, "group_dcr_{}_mohm"),
    "resistance of the middle group, 10 s": _resistance(10.0, "group_dcr_{}_mohm"),
    "resistance outside the groups": _agreement("pack_path_mohm"),
    "terminals against groups": _agreement("pack_sum_gap_v"),
}
CASES = [
    Case(estimator, w.name, partial(_once, of=of, world=w), quick=w.name == "usual")
    for estimator, of in KINDS.items()
    for w in WORLDS
]
