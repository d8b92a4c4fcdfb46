"""Coasts found in a record of speed: stretches in which nothing drives or brakes and the speed falls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Times
from herdbook.pipeline.bench.dynamometer.records import Logged
from herdbook.pipeline.science.stretches import stretches
from herdbook.pipeline.vehicle.signals import Series

SMOOTH_S = 1.0
LEAST_S, LEAST_DROP_MS = 5.0, 3.0  # a shorter fall says little of what depends on speed (engineering choice)
ROLLING_MS = 0.8  # slower is as good as standing
FREE_A, FREE_PCT = 1.0, 0.5  # torque current, and demands, up to which nothing drives or brakes
SETTLE_S = 0.5  # after the rider lets go


@dataclass(frozen=True, slots=True)
class Fall:
    """A coast as found. t: microseconds; speed_ms: as recorded."""

    t: Times
    speed_ms: Floats

    @property
    def seconds(self) -> Floats:
        return np.asarray((self.t - self.t[0]) / 1e6)

    @property
    def in_words(self) -> str:
        """From and to, km/h, and how long."""
        high, low = 3.6 * float(self.speed_ms[:5].mean()), 3.6 * float(self.speed_ms[-5:].mean())
        return f"{high:.0f} to {low:.0f} km/h in {self.seconds[-1]:.0f} s"


def coasts_of(log: Logged, speed: Series) -> tuple[list[Fall], list[str]]:
    """Coasts of a bus log in order of time, and which signals said that nothing drove or braked."""
    free = np.ones(len(speed), np.bool_)
    asked = []
    for role, most in (("motor_current", FREE_A), ("throttle", FREE_PCT), ("brake_demand", FREE_PCT)):
        for item in log.signals.items(role):
            if len(log.known(role, item)):
                now = log.signals.at(speed.t, role, item)
                free &= ~(np.abs(now) > most)  # not known at this moment: the others decide
                asked.append(role)
    return falls(speed, free), list(dict.fromkeys(asked))


def falls(speed: Series, free: Bools | None = None) -> list[Fall]:
    """Stretches of falling speed, in order of time. free (n,): where nothing drives or brakes, when that is known."""
    if len(speed) < 10:
        return []
    v = np.abs(speed.v)
    on = smooth_slope(speed.t, v) < 0.0
    on &= v > ROLLING_MS
    if free is not None:
        on &= free
    step_s = float(np.median(np.diff(speed.t))) / 1e6
    found = stretches(speed.t, on, gap_s=max(0.5, 4.0 * step_s), join_s=2.0 * SMOOTH_S, least_s=LEAST_S)
    out = []
    for first, last in zip(found.first.tolist(), found.last.tolist(), strict=True):
        begin = first
        if free is not None:  # the drive lets go over some tenths of a second
            begin = int(np.searchsorted(speed.t, speed.t[first] + int(SETTLE_S * 1e6)))
        piece = slice(begin, last + 1)
        if last - begin > 10 and v[begin : begin + 5].mean() - v[last - 4 : last + 1].mean() >= LEAST_DROP_MS:
            out.append(Fall(speed.t[piece], v[piece]))
    return out


def smooth_slope(t: Times, v: Floats) -> Floats:
    """Change of speed over a second around each sample [m/s2]: mean of the half after less mean of the half before."""
    total = np.concatenate(([0.0], np.cumsum(v)))
    half = int(SMOOTH_S * 1e6)
    here = np.arange(t.size)
    early, late = np.searchsorted(t, t - half), np.searchsorted(t, t + half, side="right")
    before = (total[here + 1] - total[early]) / (here + 1 - early)
    after = (total[late] - total[here]) / (late - here)
    return np.asarray((after - before) / SMOOTH_S)
