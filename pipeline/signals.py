"""Signals: one vehicle's roles over a stretch of time, in canonical units, as metrics see them.

A metric never meets a DBC name, a Parquet file or a connection: it asks for roles and gets numpy arrays.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.quantities import ROLES

Key = tuple[str, int | str]  # ("cell_voltage", 3), ("motor_temp", "left"), ("pack_current", "")


@dataclass(frozen=True, slots=True)
class Series:
    """Samples of one role: t int64 microseconds UTC, strictly rising; v float64 in the role's unit.

    State roles hold the index into Role.states; NaN marks a value received but impossible or not available.
    """

    t: NDArray[np.int64]
    v: NDArray[np.float64]

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

    def has(self, *names: str) -> bool:
        """True when every named role has at least one sample (of at least one index)."""
        present = {key[0] for key, series in self.data.items() if len(series)}
        return all(name in present for name in names)

    def items(self, name: str) -> list[int | str]:
        """The indices a role is known for, in order: [1, 2, ...], ["left", "right"] or [""]."""
        found = [key[1] for key in self.data if key[0] == name]
        return sorted(found, key=lambda i: (isinstance(i, str), i))

    def series(self, name: str, item: int | str = "") -> Series:
        """Samples of a role; EMPTY when the vehicle does not have it. KeyError for an unknown role name."""
        ROLES[name]
        return self.data.get((name, item), EMPTY)

    def at(self, t: NDArray[np.int64], name: str, item: int | str = "", hold_s: float = 2.0) -> NDArray[np.float64]:
        """Last value at or before each t; NaN where there is none or it is older than hold_s seconds."""
        s = self.series(name, item)
        out = np.full(t.shape, np.nan)
        if not len(s):
            return out
        i = np.searchsorted(s.t, t, side="right") - 1
        ok = i >= 0
        ok[ok] = t[ok] - s.t[i[ok]] <= hold_s * 1e6
        out[ok] = s.v[i[ok]]
        return out

    def between(self, start: int, end: int) -> Signals:
        """The same roles cut to [start, end)."""
        cut = {}
        for key, s in self.data.items():
            a, b = np.searchsorted(s.t, (start, end), side="left")
            cut[key] = Series(s.t[a:b], s.v[a:b])
        return Signals(self.vehicle, start, end, cut)
