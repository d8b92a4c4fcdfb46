"""Herds in which nothing drifts and no rule is passed, looked at night after night: how often is something said?

`python -m tests.herd.nights [--herds 30]` prints the false-alarm rates a vehicle-year that README and manual may quote.
Figures follow their neighbours with a correlation `alike`, a session in six of ten days, for 90 nights; all are put to
the test, as if all lay more than half-way to their limit (drift.HALF): a sound fleet's mostly do not.
"""

from __future__ import annotations

import argparse

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.newest_level import newest_level
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.health.trend import LEAST_POINTS, careful_p
from herdbook.pipeline.herd.drift import SURE, discovery_level

NIGHTS, YEAR, PACE = 90, 365.0, 0.6
Rng = np.random.Generator


def alike_row(rng: Rng, n: int, alike: float) -> Floats:
    """n values of mean 0 and deviation 1, each like the one before by `alike`."""
    fresh = rng.normal(size=n) * np.sqrt(1.0 - alike**2)
    out = np.empty(n)
    out[0] = rng.normal()
    for i in range(1, n):
        out[i] = alike * out[i - 1] + fresh[i]
    return out


def falsely_listed(rng: Rng, alike: float, vehicles: int = 15, series: int = 2) -> int:
    """Vehicles that the drift list names on at least one of the nights."""
    figures = []
    for vehicle in range(vehicles):
        for _ in range(series):
            days = np.flatnonzero(rng.random(NIGHTS) < PACE).astype(float)
            figures.append((vehicle, days, alike_row(rng, days.size, alike)))
    known: dict[tuple[int, int], float] = {}
    listed: set[int] = set()
    for night in range(NIGHTS):
        found = []
        for at, (_, days, values) in enumerate(figures):
            n = int(np.searchsorted(days, night, side="right"))
            if n < LEAST_POINTS or days[n - 1] - days[0] < 7:
                continue
            if (at, n) not in known:
                known[at, n] = careful_p(days[:n], values[:n])
            found.append((known[at, n], at))
        level = discovery_level([p for p, _ in found if p <= SURE], len(found))
        listed |= {figures[at][0] for p, at in found if p <= level}
    return len(listed)


def a_vehicle_year(found: int, herds: int, vehicles: int = 15) -> float:
    return found / (herds * vehicles * NIGHTS / YEAR)


def level_ever(rng: Rng, under: float, sessions: int = 40, chance: float = 0.003) -> bool:
    """Whether a figure that truly lies `under` errors below its limit is told over it after any of the sessions."""
    values = rng.normal(-under, 1.0, sessions)
    for k in range(2, sessions + 1):
        level = newest_level(values[:k], np.ones(k), 0.0)
        if level is not None and level.chance <= chance and level.first < k - 1:
            return True
    return False


def stretch_ever(rng: Rng, share: float, usual: float, rows: int = 40, chance: float = 0.02) -> bool:
    """Whether hits that come with their `share` are told to be more than `usual` after any session of three events."""
    hit = rng.random(rows) < share
    table = pl.DataFrame({"session_start_t": np.arange(rows) // 3})
    return any(newest_stretch(table[:k], hit[:k], usual).chance <= chance for k in range(6, rows + 1, 3))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--herds", type=int, default=30)
    herds = parser.parse_args().herds
    for alike in (0.0, 0.3, 0.6):
        found = [falsely_listed(np.random.default_rng([7, run]), alike) for run in range(herds)]
        rate = a_vehicle_year(sum(found), herds)
        ever = np.mean(np.array(found) > 0)
        print(f"drift list, neighbours alike {alike}: {rate:.3f} a vehicle-year; herds ever {ever:.2f}", flush=True)
    rng = np.random.default_rng(8)
    for under in (0.0, 1.0):
        told = np.mean([level_ever(rng, under) for _ in range(10 * herds)])
        print(f"newest level, {under:g} errors under its limit: {told:.4f} in 40 sessions", flush=True)
    for share in (0.5, 0.3):
        told = np.mean([stretch_ever(rng, share, 0.5) for _ in range(10 * herds)])
        print(f"newest stretch, hits in {share:g} where 0.5 is usual: {told:.4f} in 40 events", flush=True)


if __name__ == "__main__":
    main()
