"""Moments that strike at random on a ride: lost packets, lost speeds, resets, an opening switch; and corners."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.faults import Now

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


class Strikes:
    """Drawn for one ride from rates an hour; a ride of a faulty vehicle has at least one."""

    def __init__(self, rngs: list[np.random.Generator], now: Now, steps: int, dt: float, lengths: list[float]) -> None:
        self.dt, count = dt, len(rngs)
        self.none, self.none2 = np.zeros(count, bool), np.zeros((count, 2), bool)
        self._link = self._flags(rngs, now.plain("link_loss"), steps, (0.4, 2.5), lengths)
        self._reset = self._flags(rngs, now.plain("controller_resets"), steps, (0.8, 1.6), lengths)
        self._cut = self._flags(rngs, now.plain("contactor_opens"), steps, (4.0, 9.0), lengths)
        blind = now.items("encoder_dropout", 2)
        sides = [self._flags(rngs, blind[:, s], steps, (0.2, 0.7), lengths) for s in (0, 1)]
        self._blind = None
        if any(s is not None for s in sides):
            self._blind = np.stack([np.zeros((steps, count), bool) if s is None else s for s in sides], axis=2)
        self.luck = np.stack([rng.random(steps) for rng in rngs], axis=1)
        grid = np.arange(steps) * dt
        knots = np.arange(0.0, grid[-1] + 12.0, 4.0)
        self._pair = np.ones((steps, count, 2))
        for i, rng in enumerate(rngs):
            bend = np.where(rng.random(len(knots)) < 0.25, rng.uniform(-0.06, 0.06, len(knots)), 0.0)
            self._pair[:, i, 0] += np.interp(grid, knots, bend)
        self._pair[:, :, 1] = 2.0 - self._pair[:, :, 0]

    def _flags(
        self,
        rngs: list[np.random.Generator],
        rates: Floats,
        steps: int,
        lasts: tuple[float, float],
        lengths: list[float],
    ) -> Flags | None:
        if not rates.any():
            return None
        out = np.zeros((steps, len(rngs)), bool)
        for i in np.flatnonzero(rates):
            rng = rngs[i]
            for start in rng.uniform(0.1, 0.9, max(1, int(rng.poisson(rates[i] * lengths[i] / 3600.0)))):
                first = int(start * lengths[i] / self.dt)
                out[first : first + int(rng.uniform(*lasts) / self.dt), i] = True
        return out

    def link(self, k: int) -> Flags:
        return self.none if self._link is None else self._link[k]

    def reset(self, k: int) -> Flags:
        return self.none if self._reset is None else self._reset[k]

    def cut(self, k: int) -> Flags:
        return self.none if self._cut is None else self._cut[k]

    def blind(self, k: int) -> Flags:
        return self.none2 if self._blind is None else self._blind[k]

    def pair(self, k: int) -> Floats:
        """Speed of each side against the middle: corners."""
        return np.asarray(self._pair[k])
