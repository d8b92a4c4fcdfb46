"""One log as the checks of a profile see it: every role on common ticks, its noise, and what was received of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Bools, Floats, Times
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.role_table import Mapping
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

TICK_US = 500_000
MOST_TICKS = 40_000  # five and a half hours; of longer logs the ticks are wider
HOLD_STEPS, LEAST_HOLD_S, MOST_HOLD_S = 3.0, 2.0, 60.0  # a value holds for three of its own steps: buses that sleep
QUIET, QUIET_SD = 0.2, 0.2533  # a fifth of normal values lie within so many standard deviations
NOISES = 5.0  # so many standard deviations of its noise are no noise


@dataclass(frozen=True, slots=True)
class Received:
    """Of one (role, item): samples; those with a declared "no value"; those outside what is possible, and how many of
    these lie over it; those that are 0; whether all that are possible are the same."""

    samples: int = 0
    missing: int = 0
    impossible: int = 0
    lowest: float = np.inf
    highest: float = -np.inf
    over: int = 0
    resting: int = 0

    @property
    def known(self) -> int:
        return self.samples - self.missing - self.impossible

    @property
    def constant(self) -> bool:
        return self.known > 0 and self.lowest == self.highest

    def plus(self, other: Received) -> Received:
        return Received(
            self.samples + other.samples,
            self.missing + other.missing,
            self.impossible + other.impossible,
            min(self.lowest, other.lowest),
            max(self.highest, other.highest),
            self.over + other.over,
            self.resting + other.resting,
        )


def received(raw: NDArray[np.generic], value: Floats, mapping: Mapping) -> Received:
    """raw: (n,) in the DBC's units; value: (n,) the same converted, NaN where it is none."""
    missing = np.isin(raw, mapping.not_available) if mapping.not_available else np.zeros(raw.shape, bool)
    if mapping.formula is not None:
        missing |= np.isnan(raw.astype(np.float64))  # a formula has no value where one of its signals has none
    unknown = np.isnan(value)
    some = value[~unknown]
    low, high = (float(some.min()), float(some.max())) if some.size else (np.inf, -np.inf)
    wrong = unknown & ~missing
    over = 0
    if wrong.any() and not mapping.states and not mapping.codes and raw.dtype.kind in "iuf":
        over = int((raw[wrong].astype(np.float64) * mapping.scale + mapping.offset > ROLES[mapping.role].high).sum())
    return Received(int(raw.size), int(missing.sum()), int(wrong.sum()), low, high, over, int((some == 0).sum()))


@dataclass
class View:
    """vehicle: whose log it is, or the log's name where nobody knows. known_share: of its frames, by identifier.
    packs: the same log by each further pack of the profile."""

    vehicle: str
    signals: Signals
    profile: Profile
    received: dict[Key, Received] = field(default_factory=dict)
    known_share: float = 1.0
    packs: tuple[View, ...] = ()
    _kept: dict[object, Floats] = field(default_factory=dict, repr=False)

    @cached_property
    def t(self) -> Times:
        """The ticks: microseconds UTC."""
        ends = [(s.t[0], s.t[-1]) for s in self.signals.data.values() if len(s)]
        if not ends:
            return np.empty(0, np.int64)
        first, last = int(min(a for a, _ in ends)), int(max(b for _, b in ends))
        return np.arange(first, last + 1, max(TICK_US, (last - first) // MOST_TICKS), dtype=np.int64)

    @property
    def tick_s(self) -> float:
        return float(self.t[1] - self.t[0]) / 1e6 if self.t.size > 1 else TICK_US / 1e6

    def series(self, role: str, item: int | str = "") -> Series:
        """Samples that are possible."""
        s = self.signals.series(role, item)
        good = ~np.isnan(s.v)
        return s if good.all() else Series(s.t[good], s.v[good])

    def items(self, role: str) -> list[int | str]:
        return [i for i in self.signals.items(role) if len(self.series(role, i))]

    def has(self, *roles: str) -> bool:
        return all(self.items(role) for role in roles)

    def at(self, role: str, item: int | str = "") -> Floats:
        """Values on the ticks; NaN where there is none fresh enough."""
        key = role, item
        if key not in self._kept:
            self._kept[key] = _fresh(self.series(role, item), self.t)
        return self._kept[key]

    def all_packs(self) -> Floats:
        """Current of all packs side by side, as if each that is not mapped gave as much as those that are."""
        mapped = [self.at("pack_current"), *(_fresh(p.series("pack_current"), self.t) for p in self.packs)]
        return np.asarray(np.sum(mapped, axis=0) * (self.profile.pack_figures.packs / len(mapped)))

    def mean(self, role: str) -> Floats:
        """Mean over the items, NaN where one is not known."""
        items = self.items(role)
        if not items:
            return np.full(self.t.shape, np.nan)
        return np.asarray(np.mean([self.at(role, i) for i in items], axis=0))

    def middle(self, role: str) -> Floats:
        """Median over the items, NaN where one is not known: what one broken wire reads does not count."""
        items = self.items(role)
        if not items:
            return np.full(self.t.shape, np.nan)
        return np.asarray(np.median([self.at(role, i) for i in items], axis=0))

    def is_state(self, role: str, *names: str) -> Bools:
        """Ticks at which a state role has one of these states."""
        wanted = [ROLES[role].states.index(n) for n in names]
        return np.isin(self.at(role), wanted)

    def noise(self, role: str, item: int | str = "") -> float:
        """Standard deviation of one sample: of second differences, and of its own steps. NaN under 8 samples."""
        key = "noise", role, item
        if key not in self._kept:
            self._kept[key] = np.array([noise_of(self.series(role, item).v)])
        return float(self._kept[key][0])

    def loud(self, role: str, item: int | str = "") -> float:
        """What is more than noise of this role, in its unit; 0 where the noise is not known."""
        n = self.noise(role, item)
        return NOISES * n if n == n else 0.0

    @cached_property
    def moving(self) -> Bools:
        """Ticks at which the vehicle moves: by its speed; by a motor's where none is mapped, or where it never gets far
        from 0 (its unit may be wrong) though it is not 0 either."""
        if self.has("vehicle_speed"):
            speed = np.abs(self.at("vehicle_speed"))
            moves = speed > max(0.3, self.loud("vehicle_speed"))
            if moves.any() or not (speed > 0).any():
                return moves
        fast = [
            np.abs(self.at("motor_speed", i)) > max(30.0, self.loud("motor_speed", i))
            for i in self.items("motor_speed")
        ]
        return np.logical_or.reduce(fast) if fast else np.zeros(self.t.shape, bool)

    @cached_property
    def in_use(self) -> Bools:
        """Ticks at which the pack is surely switched on: current flows, or the main switch says closed."""
        current = np.abs(self.at("pack_current")) > max(0.5, self.loud("pack_current"))
        closed = self.is_state("contactor_state", "closed") if self.has("contactor_state") else current
        return current | closed | self.moving


def noise_of(v: Floats) -> float:
    """Standard deviation of one value in a row without NaN, whatever the row does slowly. NaN under 8 values.

    From second differences (their variance is six times that of white noise) where the row is quiet: the least fifth of
    them, as of normal noise. No less than what rounding to the row's own least step leaves: step / sqrt(12).
    """
    if v.size < 8:
        return float("nan")
    steps = np.abs(np.diff(v))
    real = steps[steps > 1e-9]
    quantum = float(np.min(real)) if real.size else 0.0
    second = np.abs(np.diff(v, 2))
    return max(float(np.quantile(second, QUIET)) / QUIET_SD / 6**0.5, quantum / 12**0.5)


def with_packs(views: Sequence[View]) -> View:
    """The first pack's view, which knows those of the others."""
    views[0].packs = tuple(views[1:])
    return views[0]


def _fresh(s: Series, t: Times) -> Floats:
    """Last values at t, none that is older than a few of the series' own steps."""
    step = median(np.diff(s.t)) / 1e6 if len(s) > 1 else 0.0
    return _last(s, t, min(MOST_HOLD_S, max(LEAST_HOLD_S, HOLD_STEPS * step)))


def _last(s: Series, t: Times, hold_s: float) -> Floats:
    if not len(s) or not t.size:
        return np.full(t.shape, np.nan)
    index = np.searchsorted(s.t, t, side="right") - 1
    value = s.v[np.maximum(index, 0)]
    stale = (index < 0) | (t - s.t[np.maximum(index, 0)] > hold_s * 1e6)
    return np.asarray(np.where(stale, np.nan, value))
