"""Signals: one vehicle's roles over a stretch of time, in canonical units, as metrics see them.

A metric never meets a DBC name, a Parquet file or a connection: it asks for roles and gets numpy arrays. Many metrics
ask for the same: while a session is measured, Signals remember what they were asked (see remembering()).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np

from herdbook.pipeline.arrays import Floats, Indices, Times
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.roles import ROLES

STEPS_A_SAMPLE, STEPS_BACK = 2, 3  # measured: more steps answer more, and cost more to count
FEW = 10  # moments this many times fewer than the samples are searched for: counting would cost more

T = TypeVar("T")
Key = tuple[str, int | str]  # ("cell_voltage", 3), ("motor_temp", "left"), ("pack_current", "")


@dataclass(frozen=True, slots=True)
class Series:
    """Samples of one role: t int64 microseconds UTC, strictly rising; v float64 in the role's unit.

    State roles hold the index into Role.states; NaN marks a value received but impossible or not available.
    """

    t: Times
    v: Floats

    def __len__(self) -> int:
        return int(self.t.shape[0])


EMPTY = Series(np.empty(0, np.int64), np.empty(0, np.float64))


@dataclass(frozen=True, slots=True)
class Signals:
    """All roles known between start and end (microseconds UTC, end excluded)."""

    vehicle: str
    start: int
    end: int
    data: dict[Key, Series] = field(default_factory=dict)
    memo: dict[Hashable, Any] | None = field(default=None, compare=False, repr=False)

    def remembering(self) -> Signals:
        """The same, remembering answers. `data` must not change from here on; arrays handed out are read-only."""
        return Signals(self.vehicle, self.start, self.end, self.data, {})

    def once(self, key: Hashable, make: Callable[[], T]) -> T:
        """make(), or what it gave when last asked under this key. Without a memo it is made anew each time."""
        if self.memo is None:
            return make()
        if key not in self.memo:
            self.memo[key] = make()
        found: T = self.memo[key]
        return found

    def has(self, *names: str) -> bool:
        """True when every named role has at least one sample (of at least one index)."""
        present = self.once("roles", lambda: {key[0] for key, series in self.data.items() if len(series)})
        return all(name in present for name in names)

    def items(self, name: str) -> list[int | str]:
        """The indices a role is known for, in order: [1, 2, ...], ["left", "right"] or [""]."""
        found = [key[1] for key in self.data if key[0] == name]
        return sorted(found, key=lambda i: (isinstance(i, str), i))

    def series(self, name: str, item: int | str = "") -> Series:
        """Samples of a role; EMPTY when the vehicle does not have it. KeyError for an unknown role name."""
        ROLES[name]
        return self.data.get((name, item), EMPTY)

    def step_us(self, s: Series) -> float:
        """Middle time between samples of one of these series, microseconds; NaN under two samples."""
        return self.once(("step", id(s.t)), lambda: median(np.diff(s.t)))

    def at(self, t: Times, name: str, item: int | str = "", hold_s: float = 2.0) -> Floats:
        """Last value at or before each t; NaN where there is none or it is older than hold_s seconds."""
        s = self.series(name, item)
        if not len(s) or not t.size:
            return np.full(t.shape, np.nan)
        if s.t is t:
            return s.v.copy()
        index, gone = self._before(s.t, t, int(hold_s * 1e6))
        out = s.v.take(index)
        out[gone] = np.nan
        return out

    def _before(self, own: Times, t: Times, hold_us: int) -> tuple[Indices, Indices]:
        """Index into own of the last time at or before each t, and where there is none within hold_us.

        Series of one message share their times. What was found out about times of a series is kept for good, about
        other times until the next ones: whoever makes times asks for all roles at these, one after the other."""
        if self.memo is None:
            return _last_before(own, t, hold_us)
        ours = self.once("times", lambda: {id(s.t) for s in self.data.values()})
        if id(t) not in ours:
            asked, known = self.memo.get("at", (None, None))
            if asked is not t:
                known = {}
                self.memo["at"] = t, known
        else:
            known = self.once(("at", id(t)), dict)
        key = id(own), hold_us  # the series keep `own` alive, so that its id stays its own
        if key not in known:
            counted: _Counted | None = self.memo.get(("counted", id(own)))
            if counted is None and own.size <= FEW * t.size:
                counted = self.memo["counted", id(own)] = _Counted.of(own)
            known[key] = _last_before(own, t, hold_us, counted)
        found: tuple[Indices, Indices] = known[key]
        return found

    def between(self, start: int, end: int) -> Signals:
        """The same roles cut to [start, end). Series that share their times go on sharing them."""
        cut: dict[Key, Series] = {}
        times: dict[int, tuple[slice, Times]] = {}
        for key, s in self.data.items():
            if id(s.t) not in times:
                span = slice(*np.searchsorted(s.t, (start, end), side="left").tolist())
                times[id(s.t)] = span, s.t[span]
            span, t = times[id(s.t)]
            cut[key] = Series(t, s.v[span])
        return Signals(self.vehicle, start, end, cut)


@dataclass(frozen=True, slots=True)
class _Counted:
    """Rising times, and how many of them have come by the end of each even step of 2**shift microseconds from the
    first: most answers are then read off, where a search would guess its way through every one."""

    own: Times
    shift: int
    last: Indices  # index of the last time come by then

    @staticmethod
    def of(own: Times) -> _Counted:
        since = own - own[0]
        shift = (int(since[-1]) // (STEPS_A_SAMPLE * own.size)).bit_length()
        return _Counted(own, shift, np.cumsum(np.bincount(since >> shift)) - 1)

    def before(self, t: Times) -> Indices:
        """Index of the last time at or before each t, 0 where there is none."""
        index: Indices = self.last.take((t - self.own[0]) >> self.shift, mode="clip")
        late = np.flatnonzero(self.own.take(index) > t)  # in the step of t, but after it
        for _ in range(STEPS_BACK):
            if not late.size:
                return index
            index[late] = np.maximum(index[late] - 1, 0)
            late = late[self.own[index[late]] > t[late]]
        index[late] = _searched(self.own, t[late])  # times in bunches, or none before
        return index


def _searched(own: Times, t: Times) -> Indices:
    return np.asarray(np.maximum(np.searchsorted(own, t, side="right") - 1, 0))


def _last_before(own: Times, t: Times, hold_us: int, counted: _Counted | None = None) -> tuple[Indices, Indices]:
    index = _searched(own, t) if counted is None else counted.before(t)
    age = t - own.take(index)
    return index, np.flatnonzero(age.view(np.uint64) > hold_us)  # none before: negative, which reads as huge
