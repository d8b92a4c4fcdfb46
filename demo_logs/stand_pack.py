"""A pack of twelve groups on a bench: a charge curve with two steps, a resistance and two slow parts, each known.

Its physics is written down here in a few lines and shares nothing with pipeline/science or the simulator of vehicles.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
GROUPS = 12
Until = Callable[["_State"], bool]


@dataclass(frozen=True)
class BenchPack:
    """Per group: capacity_ah, ohm at once; two slow parts in proportion to ohm (share, seconds)."""

    capacity_ah: Floats = field(default_factory=lambda: 30.0 * np.ones(GROUPS))
    ohm: Floats = field(default_factory=lambda: 0.0010 * np.ones(GROUPS))
    slow: tuple[tuple[float, float], ...] = ((0.6, 6.0), (0.9, 250.0))
    air_c: float = 25.0


def usual_pack(rng: np.random.Generator) -> BenchPack:
    """Group 4 holds 4 % less, group 7 has 1.6 times the resistance; the others differ by a little."""
    capacity = 29.6 * (1 + 0.004 * rng.normal(size=GROUPS))
    ohm = 0.0011 * (1 + 0.02 * rng.normal(size=GROUPS))
    capacity[3] *= 0.96
    ohm[6] *= 1.6
    return BenchPack(capacity, ohm)


def rest_volts(share: Floats) -> Floats:
    """Voltage of a group at rest by its charge, 0 to 1."""
    low = 0.45 * np.exp(-share / 0.035)
    steps = 0.034 / (1 + np.exp(-(share - 0.30) / 0.02)) + 0.042 / (1 + np.exp(-(share - 0.71) / 0.02))
    return np.asarray(3.225 - low + steps + 0.02 * share + 0.30 * np.exp((share - 1.0) / 0.010))


@dataclass(frozen=True)
class Bench:
    """t [s] as sampled; amps positive on discharge; volts (n, GROUPS); share (n, GROUPS): charge 0 to 1."""

    t: Floats
    amps: Floats
    volts: Floats
    share: Floats


def bench_test(of: BenchPack, pulses_at: tuple[float, ...] = (0.75, 0.5, 0.25), slow_s: float = 40.0) -> Bench:
    """Full and rested; discharged at 7.5 A, at these charges a rest and pulses of 30 A out and 15 A in; empty and
    rested; charged at 10 A to full, where the current falls; rested. Sampled every slow_s, around pulses 4 a second."""
    state = _State(of)
    state.share = np.ones(GROUPS) * 0.90
    state.charge(slow_s)  # unrecorded: it comes off the charger
    state.rows.clear()
    state.now = 0.0
    state.hold(0.0, 600.0, slow_s)
    for stop in pulses_at:
        state.hold(7.5, 1e6, slow_s, until=_down_to(stop))
        state.hold(0.0, 1200.0, slow_s)
        for amps in (30.0, -15.0):
            state.hold(0.0, 4.0, 0.25)
            state.hold(amps, 11.0, 0.25)
            state.hold(0.0, 12.0, 0.25)
            state.hold(0.0, 240.0, slow_s)
    state.hold(7.5, 1e6, slow_s, until=lambda s: float(s.volts(7.5).min()) <= 2.80)
    state.hold(0.0, 2400.0, slow_s)
    state.charge(slow_s)
    state.hold(0.0, 1800.0, slow_s)
    return state.bench()


def _down_to(share: float) -> Until:
    return lambda state: float(state.share.min()) <= share


class _State:
    def __init__(self, of: BenchPack) -> None:
        self.of = of
        self.share = np.ones(GROUPS) * 0.995
        self.over = np.zeros((len(of.slow), GROUPS))
        self.now = 0.0
        self.rows: list[tuple[float, float, Floats, Floats]] = []

    def volts(self, amps: float) -> Floats:
        return np.asarray(rest_volts(self.share) - amps * self.of.ohm - self.over.sum(axis=0))

    def _step(self, amps: float, dt: float) -> None:
        self.share = self.share - amps * dt / 3600 / self.of.capacity_ah
        for k, (part, tau) in enumerate(self.of.slow):
            self.over[k] += (1 - np.exp(-dt / tau)) * (amps * part * self.of.ohm - self.over[k])
        self.now += dt

    def _note(self, amps: float, before: float = 0.0) -> None:
        """A row of samples; before: seconds ago, so that a step of the current has a sample on either side."""
        self.rows.append((self.now - before, amps, self.volts(amps), self.share.copy()))

    def hold(self, amps: float, seconds: float, sampled: float, until: Until | None = None) -> None:
        """So long, or until something is so, which is looked at every five seconds."""
        end, step = self.now + seconds, min(sampled, 5.0)
        due = self.now
        while self.now < end - 1e-9:
            if self.now >= due - 1e-9:
                self._note(amps)
                due += sampled
            self._step(amps, step)
            if until is not None and until(self):
                break
        self._note(amps, before=0.01)

    def taper(self, volts: float, least: float, sampled: float) -> None:
        """The current falls so that the highest group stays at `volts`."""
        amps, due = -10.0, self.now
        while -amps > least:
            allowed = float(((volts - self.volts(0.0)) / self.of.ohm).min())
            amps = -min(10.0, max(0.9 * least, allowed))
            if self.now >= due - 1e-9:
                self._note(amps)
                due += sampled
            self._step(amps, 2.0)
        self._note(amps, before=0.01)

    def charge(self, sampled: float) -> None:
        self.hold(-10.0, 1e6, sampled, until=lambda s: float(s.volts(-10.0).max()) >= 3.50)
        self.taper(3.50, 1.0, sampled)

    def bench(self) -> Bench:
        t, amps, volts, share = zip(*self.rows, strict=True)
        return Bench(np.array(t), np.array(amps), np.array(volts), np.array(share))
