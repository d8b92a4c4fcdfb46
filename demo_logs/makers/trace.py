"""What one session of some vehicles truly was: tracks on even grids of their own, before any sensor."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(slots=True)
class Track:
    """data (steps, vehicles, items), a step each dt seconds from the session's start on."""

    dt: float
    data: NDArray[Any]


@dataclass(slots=True)
class Trace:
    """start_us (vehicles,). seconds: how long each vehicle's session lasts. facts: true extremes for the labels,
    (vehicles,) or (vehicles, items)."""

    start_us: NDArray[np.int64]
    seconds: Floats
    tracks: dict[str, Track] = field(default_factory=dict)
    facts: dict[str, Floats] = field(default_factory=dict)

    def track(self, name: str, dt: float, steps: int, items: int = 1, kind: type = np.float32) -> NDArray[Any]:
        """A new track to be filled, (steps, vehicles, items)."""
        data: NDArray[Any] = np.zeros((steps, len(self.start_us), items), kind)
        self.tracks[name] = Track(dt, data)
        return data

    def at(self, name: str, row: int, item: int, t_s: Floats, hold: bool = False) -> Floats:
        """Value at seconds since the start: straight between steps, or the last one held."""
        track = self.tracks[name]
        data = track.data[:, row, item]
        place = np.clip(t_s / track.dt, 0.0, len(data) - 1.0)
        low = place.astype(np.intp)
        if hold:
            return np.asarray(data[low], np.float64)
        high = np.minimum(low + 1, len(data) - 1)
        below = data[low].astype(np.float64)
        return np.asarray(below + (place - low) * (data[high] - below))

    def worst(self, name: str, value: Floats, least: bool = False) -> None:
        """Keep the largest (or the least) of a fact."""
        known = self.facts.get(name)
        pick = np.minimum if least else np.maximum
        self.facts[name] = value.copy() if known is None else pick(known, value)
