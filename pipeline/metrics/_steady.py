"""Group voltages side by side at moments when the current has been steady: the table that cell metrics fit.

Groups arrive in different frames, often multiplexed, and the current in yet another: during a step they
disagree by what the step does within the skew. A row is kept only where the current stayed within `range_a`
for the whole time in which its oldest value was sent. That makes every value of a row belong to the same
load.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.profile import Profile
from pipeline.science.robust_fit import Floats, median
from pipeline.signals import Series, Signals

MOST_ROWS = 6000  # decimation: rows beyond this are thinned evenly; the errors then state what was used
GRID_S = 0.1


@dataclass(frozen=True, slots=True)
class Steady:
    """t (m,) us; current (m,) A, positive on discharge; v (m, groups) V without NaN; items: group numbers."""

    t: NDArray[np.int64]
    current: Floats
    v: Floats
    items: tuple[int, ...]

    def rows(self, wanted: NDArray[np.bool_]) -> Steady:
        return Steady(self.t[wanted], self.current[wanted], self.v[wanted], self.items)

    def __len__(self) -> int:
        return int(self.t.shape[0])


def period_s(series: Series) -> float:
    """Median time between samples; NaN under three samples."""
    return median(np.diff(series.t[:20000])) / 1e6 if len(series) > 2 else float("nan")


def quiet_runs(table: Steady, limit_a: float) -> list[NDArray[np.int64]]:
    """Row numbers of the first and the last stretch of at least three rows with less current than limit_a."""
    quiet = np.abs(table.current) < limit_a
    edge = np.flatnonzero(np.diff(np.concatenate(([0], quiet.view(np.int8), [0]))))
    runs = [np.arange(a, b) for a, b in zip(edge[::2], edge[1::2], strict=True) if b - a >= 3]
    return runs if len(runs) < 2 else [runs[0], runs[-1]]


def range_allowed_a(profile: Profile) -> float:
    """How far the current may wander in a steady stretch: 0.1 C, at least 2 A (engineering choice)."""
    return max(2.0, 0.1 * profile.figure("pack", "rated_ah"))


def steady(signals: Signals, range_a: float, most_rows: int = MOST_ROWS,
           window_s: float = 1.0) -> Steady | None:  # fmt: skip
    """Rows at steady current; None when fewer than 3 groups or no current are known, or groups come past 15
    s. Several sets ask for the same table: it is made once, and not to be changed."""
    key = "steady", range_a, most_rows, window_s
    return signals.once(key, lambda: _steady(signals, range_a, most_rows, window_s))


def _steady(signals: Signals, range_a: float, most_rows: int, window_s: float) -> Steady | None:
    items = tuple(int(i) for i in signals.items("cell_voltage") if len(signals.series("cell_voltage", i)) > 2)
    current = signals.series("pack_current")
    if len(items) < 3 or len(current) < 3:
        return None
    slowest = max(period_s(s) for s in _apart([signals.series("cell_voltage", i) for i in items]))
    if not slowest < 60.0:
        return None
    window_s = max(window_s, 1.3 * slowest + GRID_S)
    every_s = max(slowest, GRID_S)
    t, load = signals.once(
        ("moments", range_a, window_s, every_s), lambda: _steady_moments(current, range_a, window_s, every_s)
    )
    if len(t) > most_rows:
        pick = np.linspace(0, len(t) - 1, most_rows).astype(np.int64)
        t, load = t[pick], load[pick]
    v = np.stack([signals.at(t, "cell_voltage", i, window_s) for i in items], axis=1)
    keep = np.isfinite(v).all(axis=1)
    return Steady(t[keep], load[keep], v[keep], items)


def _apart(series: list[Series]) -> list[Series]:
    """One series of each set that shares its times."""
    return list({id(s.t): s for s in series}.values())


def _steady_moments(current: Series, range_a: float, window_s: float,
                    every_s: float) -> tuple[NDArray[np.int64], Floats]:  # fmt: skip
    """Moments, `every_s` apart, whose last window_s stayed within range_a, with the mean current in them."""
    step = max(GRID_S, every_s / 2, (current.t[-1] - current.t[0]) / 1e6 / 400_000)
    grid = np.arange(current.t[0], current.t[-1] + 1, int(step * 1e6), dtype=np.int64)
    index = np.searchsorted(current.t, grid, side="right") - 1
    fresh = grid - current.t[index] <= max(1.0, 3 * period_s(current)) * 1e6
    level = np.where(fresh, current.v[index], np.nan)
    width = max(2, round(window_s / step) + 1)
    if level.size < width:
        return np.empty(0, np.int64), np.empty(0)
    view = np.lib.stride_tricks.sliding_window_view(level, width)[:: max(1, round(every_s / step))]
    span = view.max(axis=1) - view.min(axis=1)
    ok = span <= range_a  # NaN compares false
    last = grid[width - 1 :: max(1, round(every_s / step))][: ok.size]
    return last[ok], view.mean(axis=1)[ok]
