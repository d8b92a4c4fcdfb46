"""A string of invented groups with known faults: the bench for the cell metrics. It shares no code with them.

Open-circuit voltage: LFP half cell of Afshar et al. (arXiv 1709.03970) against graphite of Chen et al.
(J. Electrochem. Soc. 167 (2020) 080534), both as published; the window of stoichiometries is our choice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics.set import MetricSet
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Series, Signals

START = 1_772_352_000_000_000  # 2026-03-01 08:00 UTC
MUX = 4  # groups a frame
Found = dict[tuple[str, str], tuple[float, float | None]]


def ocv(soc: np.ndarray) -> np.ndarray:
    x = 0.045 + (0.83 - 0.045) * soc
    y = 0.90 + (0.025 - 0.90) * soc
    cathode = 3.4077 - 0.020269 * y + 0.5 * np.exp(-150 * y) - 0.9 * np.exp(-30 * (1 - y))
    anode = (
        1.9793 * np.exp(-39.3631 * x)
        + 0.2482
        - 0.0909 * np.tanh(29.8538 * (x - 0.1234))
        - 0.04478 * np.tanh(14.9159 * (x - 0.2769))
        - 0.0205 * np.tanh(30.4444 * (x - 0.6103))
    )
    return cathode - anode


@dataclass
class Pack:
    """Per-group truth. ohm: instantaneous; a branch of the same ohm / 2 and 20 s follows it."""

    groups: int = 12
    rated_ah: float = 30.0
    ohm: float = 0.002
    soc: float = 0.9
    r_factor: dict[int, float] = field(default_factory=dict)
    offset_ah: dict[int, float] = field(default_factory=dict)
    capacity: dict[int, float] = field(default_factory=dict)
    noise_v: float = 0.002
    zero_a: float = 0.0
    cell_period_s: float = 0.4
    seed: int = 1

    def per_group(self, given: dict[int, float], default: float) -> np.ndarray:
        out = np.full(self.groups, default)
        for item, value in given.items():
            out[item - 1] = value
        return out

    def run(self, current: np.ndarray, dt: float = 0.1) -> Signals:
        """Logged signals of a current profile, A positive on discharge, sampled every dt."""
        rng = np.random.default_rng(self.seed)
        t = START + (np.arange(current.size) * dt * 1e6).astype(np.int64)
        capacity = self.rated_ah * self.per_group(self.capacity, 1.0)
        offset = self.per_group(self.offset_ah, 0.0)
        passed = np.cumsum(current) * dt / 3600
        soc = (self.soc * self.rated_ah + offset - passed[:, None]) / capacity
        ohm = self.ohm * self.per_group(self.r_factor, 1.0)
        a = np.exp(-dt / 20.0)
        from scipy.signal import lfilter

        slow = lfilter([1 - a], [1, -a], current)
        v = ocv(np.clip(soc, 0.002, 1.04)) - ohm * current[:, None] - 0.5 * ohm * slow[:, None]
        return self.logged(t, current, v, rng, dt)

    def logged(self, t: np.ndarray, current: np.ndarray, v: np.ndarray, rng: np.random.Generator, dt: float) -> Signals:
        data: dict[tuple[str, int | str], Series] = {}
        read = np.round((current + self.zero_a + rng.normal(0, 0.05, current.size)) / 0.1) * 0.1
        data["pack_current", ""] = Series(t + 30_000, read)
        data["pack_voltage", ""] = Series(t + 20_000, np.round(v.sum(axis=1) / 0.05) * 0.05)
        every = max(1, round(self.cell_period_s / dt))
        frames = -(-self.groups // MUX)
        for k in range(self.groups):
            phase = (k // MUX) * every // frames
            i = np.arange(phase, t.size, every)
            noisy = v[i, k] + rng.normal(0, self.noise_v, i.size)
            data["cell_voltage", k + 1] = Series(t[i] + 40_000, np.round(noisy, 3))
        for s in range(1, 5):
            data["cell_temp", s] = Series(t[::10], np.full(t[::10].size, 25.0))
        return Signals("x", int(t[0]), int(t[-1]) + 1_000_000, data)


def ride_current(minutes: float = 60.0, mean_a: float = 15.0, seed: int = 3, dt: float = 0.1) -> np.ndarray:
    """Levels that hold for 2 to 15 s between -15 and 55 A, with ramps of half a second between them."""
    rng = np.random.default_rng(seed)
    n = int(minutes * 60 / dt)
    holds = rng.uniform(2, 15, n // 20)
    levels = np.clip(rng.normal(mean_a, 18, holds.size), -15, 55)
    levels[rng.random(holds.size) < 0.15] = 0.0
    raw = np.repeat(levels, (holds / dt).astype(int))[:n]
    width = max(1, int(0.5 / dt))
    return np.convolve(raw, np.ones(width) / width, mode="same")


def charge_current(
    signals_soc: float, rated_ah: float = 30.0, amps: float = 20.0, to: float = 1.0, dt: float = 0.5
) -> np.ndarray:
    """A minute at rest, constant current until the charge that fills from signals_soc to `to` is in, a minute after."""
    n = int((to - signals_soc) * rated_ah / amps * 3600 / dt)
    return np.concatenate([np.zeros(int(60 / dt)), np.full(n, -amps), np.zeros(int(60 / dt))])


@pytest.fixture
def pack() -> type[Pack]:
    return Pack


@pytest.fixture
def ride() -> Callable[..., np.ndarray]:
    return ride_current


@pytest.fixture
def charge() -> Callable[..., np.ndarray]:
    return charge_current


@pytest.fixture
def measured() -> Callable[..., Found]:
    """Runs one metric set and gives {(name, item): (value, se)}."""

    def run(metric_set: MetricSet, signals: Signals, kind: str = "ride", **pack_table: object) -> Found:
        session = Session("x", kind, signals.start, signals.end)
        outcome = metric_set.compute(session, signals, profile(pack_table))
        return {(m.name, m.item): (m.value, m.se) for m in outcome.metrics}

    return run
