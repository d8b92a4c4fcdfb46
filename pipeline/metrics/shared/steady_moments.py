"""Group voltages side by side at moments when the current has been steady: the table that cell metrics fit.

Groups arrive in different frames, often multiplexed, and the current in yet another: during a step they disagree by
what the step does within the skew. A row is kept only where the current stayed within `range_a` for the whole time in
which its oldest value was sent. That makes every value of a row belong to the same load.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Indices, Integers, Times
from herdbook.pipeline.science.coulomb import usual_gap_s
from herdbook.pipeline.science.pulses import extremes_of_runs
from herdbook.pipeline.science.robust_fit import median, within_blocks
from herdbook.pipeline.science.stretches import stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.signals import Series, Signals

MOST_ROWS = 6000  # decimation: rows beyond this are thinned evenly; the errors then state what was used
GRID_S = 0.1
SLOWEST_S = 400.0  # a sleeping pack speaks every few minutes (engineering choice)
BLOCK_S = 60.0  # longer than a polarisation tail's fast part, shorter than 2 % of charge at 1 C


@dataclass(frozen=True, slots=True)
class Steady:
    """t (m,) us; current (m,) A, positive on discharge; v (m, groups) V without NaN; items: group numbers."""

    t: Times
    current: Floats
    v: Floats
    items: tuple[int, ...]

    def rows(self, wanted: Bools) -> Steady:
        rows = np.flatnonzero(wanted)
        return Steady(self.t[rows], self.current[rows], self.v.take(rows, axis=0), self.items)

    def __len__(self) -> int:
        return int(self.t.shape[0])


def blocks_of(t: Times, block_s: float) -> Integers:
    """Consecutive numbers of the blocks of time that rising t lie in; blocks without any leave no gap in the count."""
    return np.cumsum(np.diff((t - t[0]) // int(block_s * 1e6), prepend=0) > 0)


def period_s(signals: Signals, series: Series) -> float:
    """Median time between samples; NaN under three samples."""
    return signals.once(
        ("period", id(series.t)),
        lambda: median(np.diff(series.t[:20000])) / 1e6 if len(series) > 2 else float("nan"),
    )


def resolution(v: Floats) -> float:
    """Step of the readings, V (rows, groups)."""
    levels = np.unique(np.round(v[:2000], 5))
    gaps = np.diff(levels)
    return float(min(gaps[gaps > 1e-4].min(initial=0.02), 0.02)) if levels.size > 1 else 0.01


def quiet_runs(table: Steady, limit_a: float) -> list[Integers]:
    """Row numbers of the first and the last stretch of at least three rows with less current than limit_a.

    Rows stand only at steady current: where some are missing between two quiet ones, load may have flowed."""
    quiet = np.abs(table.current) < limit_a
    if len(table) < 3:
        return []
    pause_s = usual_gap_s(table.t, most_s=300.0)
    found = stretches(table.t, quiet, gap_s=pause_s, least_n=3)
    runs = [np.arange(a, b + 1) for a, b in zip(found.first, found.last, strict=True)]
    return runs if len(runs) < 2 else [runs[0], runs[-1]]


def range_allowed_a(profile: Profile) -> float:
    """How far the current may wander in a steady stretch: 0.1 C, at least 2 A (engineering choice)."""
    return max(2.0, 0.1 * profile.pack_figures.rated_ah)


def steady(signals: Signals, range_a: float, most_rows: int = MOST_ROWS, window_s: float = 1.0) -> Steady | None:
    """Rows at steady current; None when fewer than 3 groups or no current are known, or groups come past
    SLOWEST_S. Several sets ask for the same table: it is made once, and not to be changed."""
    found = signals.once(("moments", window_s), lambda: _moments(signals, window_s))
    if found is None:
        return None
    rows = signals.once(("steady", range_a, window_s), lambda: np.flatnonzero(found.span <= range_a))  # NaN: not
    most = most_rows if rows.size > most_rows else 0
    key = "steady", range_a, window_s, most
    return signals.once(key, lambda: _steady(signals, found, rows, most))


def _steady(signals: Signals, found: _Moments, rows: Indices, most: int) -> Steady:
    """most: how many rows to thin them to; 0: all."""
    if most:
        rows = rows[np.linspace(0, len(rows) - 1, most).astype(np.int64)]
    if len(found.t) <= MOST_ROWS:  # then all moments are looked up at once, whatever range of current is asked for
        v = signals.once(("groups", found.window_s), lambda: found.groups(signals, found.t)).take(rows, axis=0)
    else:
        v = found.groups(signals, found.t[rows])
    keep = np.asarray(np.isfinite(v).all(axis=1))
    table = Steady(found.t[rows], found.load[rows], v, found.items)
    return table if keep.all() else table.rows(keep)


@dataclass(frozen=True, slots=True)
class Aligned:
    """Values brought to one moment a row. v (m, items) in the role's unit; drift_a (m, items): by how much the current
    at that moment, taken where the values were sampled, stood above the row's load. NaN where a value is not known."""

    v: Floats
    drift_a: Floats


def slowest_s(signals: Signals, items: tuple[int, ...]) -> float:
    """The longest middle time between values of a group."""
    return max(period_s(signals, s) for s in _apart([signals.series("cell_voltage", i) for i in items]))


def aligned(signals: Signals, table: Steady, role: str, items: tuple[int | str, ...], back_s: float) -> Aligned:
    """Straight between the samples around back_s before each row's moment.

    Pages are sampled apart, and while polarisation grows and the current wanders within the allowed range, a page that
    is always older than another would show another resistance. Both samples lie in a row's steady window where that is
    two periods long and back_s one."""
    current = signals.series("pack_current")
    at = table.t - round(1e6 * back_s)
    shares: dict[int, tuple[Indices, Floats, Floats]] = {}
    v, drift = np.empty((len(table), len(items))), np.empty((len(table), len(items)))
    for k, item in enumerate(items):
        s = signals.series(role, item)
        if id(s.t) not in shares:
            after = np.clip(np.searchsorted(s.t, at), 1, len(s) - 1)
            share = np.clip((at - s.t[after - 1]) / (s.t[after] - s.t[after - 1]), 0.0, 1.0)
            amps = np.interp(s.t, current.t, current.v)
            shares[id(s.t)] = after, share, amps[after - 1] + share * (amps[after] - amps[after - 1])
        after, share, amps_at = shares[id(s.t)]
        v[:, k] = s.v[after - 1] + share * (s.v[after] - s.v[after - 1])
        drift[:, k] = amps_at - table.current
    return Aligned(v, drift)


def aligned_groups(signals: Signals, range_a: float) -> Steady | None:
    """As steady(), with the groups' voltages brought to one moment a row and to the row's load; None also where fewer
    than three blocks would tell their resistance."""
    items = tuple(int(i) for i in signals.items("cell_voltage") if len(signals.series("cell_voltage", i)) > 2)
    if len(items) < 3:
        return None
    back_s = slowest_s(signals, items)
    if not back_s < 60.0:
        return None
    table = steady(signals, range_a, window_s=max(1.0, 2.0 * back_s + GRID_S))
    return None if table is None or len(table) < 3 else _to_load(signals, table, back_s)


def _to_load(signals: Signals, table: Steady, back_s: float) -> Steady:
    groups = aligned(signals, table, "cell_voltage", table.items, back_s)
    keep = np.asarray(np.isfinite(groups.v).all(axis=1) & np.isfinite(groups.drift_a).all(axis=1))
    table, v, drift = table.rows(keep), groups.v[keep], groups.drift_a[keep]
    try:
        slope = within_blocks(table.current, v, blocks_of(table.t, BLOCK_S)).slope
    except (ValueError, IndexError):
        return Steady(table.t, table.current, v, table.items)
    return Steady(table.t, table.current, v - slope * drift, table.items)


def _apart(series: list[Series]) -> list[Series]:
    """One series of each set that shares its times."""
    return list({id(s.t): s for s in series}.values())


@dataclass(frozen=True, slots=True)
class _Moments:
    """Moments as far apart as groups report, with span and mean of the current in the last window_s before each."""

    t: Times
    span: Floats
    load: Floats
    window_s: float
    items: tuple[int, ...]

    def groups(self, signals: Signals, t: Times) -> Floats:
        return np.stack([signals.at(t, "cell_voltage", i, self.window_s) for i in self.items], axis=1)


def _moments(signals: Signals, window_s: float) -> _Moments | None:
    items = tuple(int(i) for i in signals.items("cell_voltage") if len(signals.series("cell_voltage", i)) > 2)
    current = signals.series("pack_current")
    if len(items) < 3 or len(current) < 3:
        return None
    slowest = max(period_s(signals, s) for s in _apart([signals.series("cell_voltage", i) for i in items]))
    if not slowest < SLOWEST_S:
        return None
    window_s, every_s = max(window_s, 1.3 * slowest + GRID_S), max(slowest, GRID_S)
    step = max(GRID_S, every_s / 2, (current.t[-1] - current.t[0]) / 1e6 / 400_000)
    grid = np.arange(current.t[0], current.t[-1] + 1, int(step * 1e6), dtype=np.int64)
    level = signals.at(grid, "pack_current", "", max(1.0, 3 * period_s(signals, current)))
    width, every = max(2, round(window_s / step) + 1), max(1, round(every_s / step))
    if level.size < width:
        return _Moments(np.empty(0, np.int64), np.empty(0), np.empty(0), window_s, items)
    low, high = (extremes_of_runs(pick, level, (width,))[width][::every] for pick in (np.minimum, np.maximum))
    view = np.lib.stride_tricks.sliding_window_view(level, width)[::every]
    return _Moments(grid[width - 1 :: every][: low.size], high - low, view.mean(axis=1), window_s, items)
