"""Temperatures, current and ambient of a session on one even grid, for the heat sets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.heat import Bins
from herdbook.pipeline.science.robust_fit import known_medians
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Series, Signals

STEP_S = 10.0
SOAKED_K = 1.5  # pack and board this close at the start: parked long enough to call it ambient; engineering choice


def bins_of(signals: Signals, s: Series, start: int, width_s: float, n: int) -> Bins:
    """The same for all series of a message."""
    return signals.once(("bins", id(s.t), start, width_s, n), lambda: Bins.at(s.t, start, width_s, n))


@dataclass(frozen=True, slots=True)
class Grid:
    """n steps of STEP_S from start (microseconds)."""

    start: int
    n: int

    @classmethod
    def of(cls, session: Session) -> Grid:
        return cls(session.start, int((session.end - session.start) / (STEP_S * 1e6)))

    def means(self, signals: Signals, role: str, item: int | str = "", square: bool = False) -> Floats:
        s = signals.series(role, item)
        key = "grid", self.start, self.n, role, item, square
        bins = bins_of(signals, s, self.start, STEP_S, self.n)
        return signals.once(key, lambda: bins.means(s.v * s.v if square else s.v))

    def all(self, signals: Signals, role: str) -> dict[str, Floats]:
        """Every item of a role that has at least one finite bin."""
        found = {str(item): self.means(signals, role, item) for item in signals.items(role)}
        return {item: v for item, v in found.items() if np.isfinite(v).any()}


def middle_of(sensors: dict[str, Floats]) -> Floats:
    """Median over the sensors, bin by bin: one bad sensor does not move it."""
    return known_medians(np.stack(list(sensors.values())))


def filled(v: Floats) -> Floats:
    """Holes bridged by straight lines, ends held. v needs one finite value."""
    ok = np.isfinite(v)
    return np.asarray(np.interp(np.arange(v.size), np.flatnonzero(ok), v[ok]))


def bridged(v: Floats, longest_s: float = 1300.0) -> Floats:
    """Holes up to longest_s bridged by straight lines; longer ones and the ends stay empty."""
    ok = np.flatnonzero(np.isfinite(v))
    if ok.size < 2:
        return v
    out = filled(v)
    far = np.diff(ok) * STEP_S > longest_s
    for a, b in zip(ok[:-1][far], ok[1:][far], strict=True):
        out[a + 1 : b] = np.nan
    out[: ok[0]], out[ok[-1] + 1 :] = np.nan, np.nan
    return out


def covered(signals: Signals, s: Series, session: Session) -> float:
    """Share of the session in which samples follow each other as closely as is usual in them (three times the
    middle step): a slow message covers its time, a hole does not."""
    return signals.once(("covered", id(s.t), session), lambda: _covered(signals, s, session.start, session.end))


def _covered(signals: Signals, s: Series, start: int, end: int) -> float:
    if len(s) < 3 or end <= start:
        return 0.0
    step = np.diff(s.t)
    middle = signals.step_us(s)
    inside = float(step[step <= max(3.0 * middle, 1e6)].sum()) + 2.0 * middle  # the ends belong to a sample as well
    return min(1.0, inside / (end - start))


def ambient(grid: Grid, signals: Signals, pack_c: Floats) -> Floats | None:
    """Air temperature on the grid: its own sensor, else the start of a session that began cold-soaked, else None."""
    own = grid.means(signals, "ambient_temp")
    if np.isfinite(own).any():
        return filled(own)
    board = grid.means(signals, "bms_temp")
    first = slice(0, 6)
    if np.isfinite(board[first]).any() and np.isfinite(pack_c[first]).any():
        a, b = float(np.nanmean(board[first])), float(np.nanmean(pack_c[first]))
        if abs(a - b) <= SOAKED_K:
            return np.full(grid.n, 0.5 * (a + b))
    return None


@dataclass(frozen=True, slots=True)
class Body:
    """A lumped body: heat capacity J/K, loss W/K, resistance ohm that turns its current into heat."""

    capacity: float
    loss: float
    ohm: float

    @property
    def tau_s(self) -> float:
        return self.capacity / self.loss


def pack_body(profile: Profile) -> Body:
    """From the profile; what it lacks is scaled from its chemistry's typical group (the fleet's reference takes up
    what is left)."""
    pack = profile.pack_figures
    return Body(pack.heat_capacity_j_per_k, pack.heat_loss_w_per_k, pack.groups * pack.cell_r10s_mohm / 1000.0)


def winding_body(profile: Profile) -> Body | None:
    """One motor's winding from the profile; None without its figures: a motor cannot be guessed."""
    drive = profile.drive_figures
    capacity, loss, ohm = drive.winding_heat_capacity_j_per_k, drive.winding_heat_loss_w_per_k, drive.winding_ohm
    if capacity is None or loss is None or ohm is None:
        return None
    return Body(capacity, loss, 1.5 * ohm)  # three phases; torque current is the amplitude of a sine
