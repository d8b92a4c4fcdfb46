"""Figures over weeks whose neighbours are alike: slopes, levels and robust middles."""

from __future__ import annotations

from functools import partial

import numpy as np
import polars as pl
from scipy.signal import lfilter

from herdbook.pipeline.health.statistics import middle
from herdbook.pipeline.health.trend import beside_trend, theil_sen
from herdbook.pipeline.science.meta_analysis import Z95
from tests.coverage.case import Case, Draw, Rng


def _noise(rng: Rng, n: int, alike: float) -> np.ndarray:
    """Unit variance, correlation of neighbours `alike`."""
    raw = rng.normal(0.0, 1.0, n + 100)
    return np.asarray(lfilter([np.sqrt(1 - alike**2)], [1.0, -alike], raw)[100:])


def _slope(rng: Rng, n: tuple[int, int], alike: float) -> list[Draw]:
    count = int(rng.integers(*n))
    day = np.cumsum(rng.uniform(0.5, 3.0, count))
    slope = rng.normal(0.0, 0.05)
    value = slope * day + _noise(rng, count, alike)
    fit = theil_sen(day, value, fewer=beside_trend(day, value))
    return [(0.5 * (fit.low + fit.high), (fit.high - fit.low) / (2 * Z95), slope)]


def _middle(rng: Rng, n: tuple[int, int], heavy: bool) -> list[Draw]:
    count = int(rng.integers(*n))
    found = middle(pl.Series(rng.standard_t(3, count) if heavy else rng.normal(0.0, 1.0, count)))
    return [(found.value, found.se, 0.0)]


SPANS = {"8 to 15 sessions": (8, 16), "20 to 60 sessions": (20, 61)}
CASES = [
    Case(
        "slope over weeks",
        f"{span}, neighbours alike {alike:g}",
        partial(_slope, n=n, alike=alike),
        cheap=True,
        quick=alike == 0.5,
    )
    for span, n in SPANS.items()
    for alike in (0.0, 0.3, 0.5)
]
CASES += [
    Case(
        "robust middle",
        f"{span}, {'heavy tails' if heavy else 'normal'}",
        partial(_middle, n=n, heavy=heavy),
        cheap=True,
    )
    for span, n in {"3 to 5 values": (3, 6), "6 to 12 values": (6, 13), "20 to 60 values": (20, 61)}.items()
    for heavy in (False, True)
]
