"""Capacity of the pack by one charge from anywhere to anywhere, or to full, on a curve that no table of ours knows."""

from __future__ import annotations

from functools import cache, partial

import numpy as np

from demo_logs.makers.design import Cell, draw_design
from herdbook.pipeline.science.charge_span import Stretch, held_by
from herdbook.pipeline.science.string_fit import learn
from tests.coverage.case import Case, Draw, Rng
from tests.coverage.charge import RATED

NONE = np.zeros(0)


@cache
def _cells() -> tuple[Cell, ...]:
    return tuple(draw_design(771, k).cell for k in range(100))


def charge(rng: Rng, cell: Cell, held: float, to_full: bool) -> tuple[Stretch, float]:
    """Readings every 3 % of rated charge, resistance by charge and warmth as the cell has it, up to twice the usual."""
    rate = float(np.exp(rng.uniform(np.log(0.1), np.log(0.7))))
    low = rng.uniform(0.02, 0.5)
    high = 1.0 - abs(rng.normal(0.0, 0.006)) if to_full else rng.uniform(low + 0.3, 0.97)
    fine = np.arange(0.0, (high - low) * held, 0.002)
    z = low + fine / held
    more = rng.uniform(0.8, 2.0)
    rise = 1.0 + cell.rise_low * np.exp(-z / cell.rise_width) + cell.rise_high * np.exp((z - 1.0) / 0.05)
    ohm = 1e-3 * cell.r_mohm * cell.rated_ah / RATED
    slow = 1e-3 * cell.slow_mohm * cell.rated_ah / RATED
    volts = np.interp(z, np.linspace(0.0, 1.0, cell.curve_v.size), cell.curve_v)
    half = 0.5 * cell.gap_v * (1.0 + cell.gap_low * np.exp(-z / 0.2))
    volts = volts + half * (1.0 - 2.0 * np.exp(-fine / held / cell.turn))
    amps = rate * RATED
    seconds = fine / rate * 3600.0
    volts += amps * more * (ohm * rise + slow * -np.expm1(-seconds / cell.slow_s))
    rows = [part for part in np.array_split(np.arange(fine.size), max(2, round(np.ptp(fine) / 0.03)))]
    usual = 2e-3 * 30.0 / RATED  # of the example's profile
    share, at, v = (np.array([x[r].mean() for r in rows]) for x in (fine, seconds, volts))
    drop = np.full(share.size, amps * usual)
    v = v - drop + rng.normal(0.0, 0.002, v.size)
    gain = 1.0 + rng.normal(0.0, 0.007)
    full = (float(fine[-1]) * gain, 1.0, 0.01) if to_full else None
    return Stretch(share * gain, at, v, drop, np.zeros(v.size, bool), full), low


def _span(rng: Rng, to_full: bool) -> list[Draw]:
    from herdbook.pipeline.health.pack.string import _beyond
    from herdbook.pipeline.vehicle.chemistry import ocv_of
    from herdbook.pipeline.health.examples import record

    cell = _cells()[int(rng.integers(100))]
    held = rng.uniform(0.55, 1.05)
    s, low = charge(rng, cell, held, to_full)
    prior = _beyond(ocv_of(record().profile.pack))
    cov = learn(prior, NONE, NONE, NONE, NONE.astype(int), NONE).cov
    found = held_by(prior, cov, s)
    return [(found.capacity, found.se, held, low, found.misfit)]


if __name__ == "__main__":
    import time

    for full in (True, False):
        t = time.perf_counter()
        d = np.array([_span(np.random.default_rng([5, k]), full)[0] for k in range(300)])
        zz = (d[:, 0] - d[:, 2]) / d[:, 1]
        print(
            "full" if full else "part",
            "cover",
            np.mean(abs(zz) < 1.96),
            "rms z",
            np.sqrt(np.mean(zz**2)),
            "median se",
            np.median(d[:, 1]),
            "p10",
            np.percentile(d[:, 1], 10),
            "misfit",
            np.percentile(d[:, 4], [50, 90, 99]),
            (time.perf_counter() - t) / 300,
        )
        for lo, hi in ((0, 0.1), (0.1, 0.2), (0.2, 0.3), (0.3, 0.5)):
            k = (d[:, 3] >= lo) & (d[:, 3] < hi)
            print(
                "   begin",
                lo,
                hi,
                "cover",
                round(np.mean(abs(zz[k]) < 1.96), 3),
                "se",
                np.round(np.percentile(d[k, 1], [10, 50, 90]), 3),
                "rms err",
                round(np.sqrt(np.mean((d[k, 0] - d[k, 2]) ** 2)), 3),
            )
