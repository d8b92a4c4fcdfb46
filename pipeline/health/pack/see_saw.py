"""Neighbouring groups that are off equal and opposite: the wire between them reads wrongly, not their charge."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from herdbook.pipeline.arrays import Floats

SEE_SAW = 0.35  # of two neighbours' opposite part: what cells do apart is not equal and opposite (engineering choice)


def see_saws(away: Floats, items: Sequence[str]) -> dict[str, tuple[float, float]]:
    """Pairs, "4-5", with half their distance and its error, V. away (n, groups): V above the median group."""
    out = {}
    usual = _siblings(away)
    for (a, lower), (b, upper) in pairwise(enumerate(items)):
        apart, both = away[:, a] - away[:, b], away[:, a] + away[:, b]
        if int(upper) == int(lower) + 1 and _rms(both) < SEE_SAW * _rms(apart) and _rms(apart) > 4.0 * usual:
            error = float(np.hypot(0.5 * apart.std() / np.sqrt(apart.size), usual))
            out[f"{lower}-{upper}"] = 0.5 * _rms(apart), error
    return out


def _rms(x: Floats) -> float:
    return float(np.sqrt(np.mean(x**2)))


def _siblings(away: Floats) -> float:
    """How far a usual group stands off."""
    return float(np.median(np.sqrt(np.mean(away**2, axis=0))))
